"""A first brief for a folder of geodata: what was taken for what, what was left and why, and what is still missing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from pathlib import Path
from typing import Final

from catchscreen.brief import Brief
from catchscreen.brief_settings import quoted, settings
from catchscreen.brief_sources import REQUIRED_ROLES, ROLES
from catchscreen.errors import Fault, InputsAtFault
from catchscreen.inputs.discovery import Found, find_geodata
from catchscreen.inputs.guessing import best_role, map_columns
from catchscreen.progress import Run

Checker = Callable[[Brief, None, Run], tuple[Fault, ...]]

ROUNDS: Final = 8
"""How often the brief is checked anew after a role that does not work has been commented out."""

EXPLAINED: Final = {
    "parcels": "The sites to rank. Map parcel_id, land_use, owner_class, renewal_year in columns.",
    "elevation": "The ground model, without buildings; its coordinate system is the result's.",
    "district": "The boundary of the study; without it, the hull of the parcels and 100 m around it.",
    "buildings": "Building outlines; columns height_m, year_built, use, deck, ballast, spare_load_kn_m2, is_listed.",
    "roads": "Roads and footways, polygons or lines; columns road_class, is_adopted, width_m.",
    "land_cover": 'What covers the ground; a raster needs classes = { 1 = "asphalt", 2 = "grass" }.',
    "surface_model": "The surface with buildings and trees, for roof slopes.",
    "soils": "Columns infiltration_m_s or texture, hydrologic_group.",
    "groundwater": "Depth below ground: column depth_m, or a raster.",
    "constraints": "Ground where a rule applies: kind, rule (gate, switch, flag) and reason.",
    "sewer_zones": "Columns zone_id, sewer_kind (combined, separate, none), outfall, capacity_mm_h.",
    "rain_table": "Depth by duration (min) and return period (years).",
    "rain_series": "Rain per step over years; unit, time_zone, stamp.",
    "evaporation": "Potential evaporation by month or day.",
    "layer_catalogue": "Your own layers in place of the shipped ones (`catchscreen measures` names these).",
    "unit_costs": "Your own unit costs in place of the shipped ones.",
    "evidence": "Site tests and surveys; columns kind, value, unit, reach_m.",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class NewBrief:
    """The brief that was written.

    missing : what must be mended before it runs, empty when it passes ``check``.
    taken : (role, file). left : (file, why).
    """

    path: Path
    missing: tuple[str, ...]
    taken: tuple[tuple[str, str], ...]
    left: tuple[tuple[str, str], ...]


@dataclass(slots=True)
class _Choice:
    """One layer taken for a role; ``off`` is why it stands commented out ("" when it is in use)."""

    role: str
    found: Found
    off: str = ""


def new_brief_for(folder: str | Path, check: Checker) -> NewBrief:
    """Write a commented brief for the geodata in a folder; nothing is overwritten.

    Parameters
    ----------
    folder : path
    check : callable
        ``inputs.check``, by which the brief is tried.

    Raises
    ------
    InputsAtFault
        When there is no such folder, no geodata in it, or no permission to write there.
    """
    place = Path(folder).absolute()
    if not place.is_dir():
        raise InputsAtFault([Fault("missing-folder", "There is no such folder.", "Name one.", file=str(place))])
    found, left = find_geodata(place)
    if not found:
        message = "There is no geodata in this folder" + (f" ({len(left)} files that are none)." if left else ".")
        cure = "Name the folder that holds parcels and a ground model, as files or in folders below it."
        raise InputsAtFault([Fault("no-geodata", message, cure, file=str(place))])
    choices, others = _choose(found)
    left = left + others
    path = _free_name(place)
    missing: list[str] = []
    for _ in range(ROUNDS):
        _write(path, _text_of(place, choices, left, missing))
        faults = _faults_of(path, check)
        missing = [str_of(fault, place) for fault in faults]
        if not _comment_out(choices, faults):
            break
    _write(path, _text_of(place, choices, left, missing))
    taken = tuple((choice.role, choice.found.name) for choice in choices if not choice.off)
    set_aside = tuple((choice.found.name, choice.off) for choice in choices if choice.off)
    return NewBrief(path, tuple(missing), taken, (*set_aside, *left))


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        message = f"The brief cannot be written here: {error.strerror}."
        cure = "Give the folder write permission, or copy the geodata to a folder of your own."
        raise InputsAtFault([Fault("unwritable-folder", message, cure, file=str(path))]) from error


def _free_name(folder: Path) -> Path:
    """Return the first of brief.toml, brief_2.toml, ... that does not exist."""
    names = ("brief.toml", *(f"brief_{number}.toml" for number in range(2, 1000)))
    return next(folder / name for name in names if not (folder / name).exists())


def _choose(found: Sequence[Found]) -> tuple[list[_Choice], list[tuple[str, str]]]:
    """Choose a layer for each role; an equal second one is kept but commented out, the rest are left."""
    by_role: dict[str, list[tuple[int, Found]]] = {}
    left: list[tuple[str, str]] = []
    for layer in found:
        role, points = best_role(layer)
        if role:
            by_role.setdefault(role, []).append((points, layer))
        else:
            left.append((layer.name, f"{layer.shape}: nothing in its name or columns says what it is"))
    choices: list[_Choice] = []
    for role in ROLES:
        ranked = sorted(by_role.get(role, []), key=lambda item: (-item[0], item[1].file, item[1].layer or ""))
        for place, (points, layer) in enumerate(ranked):
            if place == 0 or role == "constraints":
                choices.append(_Choice(role, layer))
            elif points == ranked[0][0]:
                choices.append(_Choice(role, layer, f"as likely as {ranked[0][1].name}: choose one"))
            else:
                left.append((layer.name, f"less likely to be {role} than {ranked[0][1].name}"))
    return choices, left


def _faults_of(path: Path, check: Checker) -> tuple[Fault, ...]:
    """Try the brief and return what is wrong with it."""
    try:
        brief = Brief.from_toml(path)
    except InputsAtFault as error:
        return error.faults
    return check(brief, None, Run())


def _comment_out(choices: list[_Choice], faults: Iterable[Fault]) -> bool:
    """Comment out the optional roles that do not work yet; tell whether there was one."""
    changed = False
    for fault in faults:
        role = (fault.key or "").split(".")[0].split("[")[0]
        if role in REQUIRED_ROLES:
            continue
        for choice in choices:
            named = fault.file is None or fault.file.replace("\\", "/").endswith(choice.found.file.split("*")[0])
            if choice.role == role and not choice.off and (named or role != "constraints"):
                choice.off = f"does not work yet: {fault.message} {fault.cure}"
                changed = True
    return changed


def str_of(fault: Fault, folder: Path) -> str:
    """Say a fault in one line, paths relative to the folder."""
    return str(fault).replace(f"{folder}/", "").replace(f"{folder}\\", "").replace("\n", " ")


def _text_of(folder: Path, choices: Sequence[_Choice], left: Sequence[tuple[str, str]], missing: Sequence[str]) -> str:
    """Compose the brief."""
    lines: list[str] = []
    if missing:
        lines += ["# NOT COMPLETE YET. To be mended before it runs:", *(f"#   {line}" for line in missing), ""]
    lines += [
        f"# A brief for {folder.name}, written by `catchscreen new` from what lies in the folder. Roles were guessed",
        "# from names, shapes and columns: look at each one. Paths start from this file's folder.",
        "# A line behind # is not in use.",
        "",
        f"name = {quoted(folder.name)}",
        'description = ""',
        'prepared_by = ""',
        "",
    ]
    for role in ROLES:
        lines += _role_lines(role, [choice for choice in choices if choice.role == role])
    lines += _option_lines()
    if left:
        lines += ["# Left out, and why:", *(f"#   {name}: {why}" for name, why in left), ""]
    return "\n".join(lines)


def _role_lines(role: str, choices: Sequence[_Choice]) -> list[str]:
    """Write the table of one role, and its other candidates behind #."""
    explained = [f"# {EXPLAINED[role]}"] if role in EXPLAINED else []
    if not choices:
        if role in REQUIRED_ROLES:
            return [
                *explained,
                f"# Nothing here looks like {role}, which every screening needs.",
                f"# [{role}]",
                '# file = ""',
                "",
            ]
        return []
    lines = list(explained)
    for choice in choices:
        table = _table_lines(choice)
        if choice.off:
            lines += [f"# {choice.off}", *(f"# {line}" for line in table), ""]
        else:
            lines += [*table, ""]
    return lines


def _table_lines(choice: _Choice) -> list[str]:
    """Write one table."""
    found = choice.found
    many = choice.role in ("constraints", "evidence")
    lines = [f"[[{choice.role}]]" if many else f"[{choice.role}]", f"file = {quoted(found.file)}"]
    if found.layer is not None:
        lines.append(f"layer = {quoted(found.layer)}")
    mapped = map_columns(choice.role, found)
    if mapped:
        pairs = ", ".join(f"{ours} = {quoted(theirs)}" for ours, theirs in mapped.items())
        lines.append(f"columns = {{ {pairs} }}")
    if choice.role == "constraints":
        lines += _constraint_lines(found)
    return lines


def _constraint_lines(found: Found) -> list[str]:
    """Guess the kind of a constraint layer from its name where it has no such column."""
    if "kind" in found.columns:
        return []
    name = (found.layer or found.file).lower()
    kinds = {
        "landfill": "landfill",
        "made": "made_ground",
        "contam": "contaminated",
        "karst": "karst",
        "mining": "mining",
    }
    return [f'kind = "{kind}"' for word, kind in kinds.items() if word in name][:1]


def _option_lines() -> list[str]:
    """Write every setting with its default and its meaning, behind #."""
    lines = [
        "# Settings, with their defaults. Take the # away from those that you change; those behind ## have no default.",
    ]
    for table, rows in groupby(settings(), key=attrgetter("table")):
        tables: list[str] = []
        lines += ["", f"[{table}]"]
        for setting in rows:
            if setting.rows:
                tables += ["", f"# [{table}.{setting.key}]  # {setting.meaning}"]
                tables += [f"# {quoted(name) if '.' in name else name} = {row}" for name, row in setting.rows]
            elif setting.default:
                lines.append(f"# {setting.key} = {setting.default} # {setting.meaning}")
            else:
                allowed = f" ({setting.allowed})" if setting.allowed else ""
                lines.append(f"## {setting.key} = ... # Not set{allowed}. {setting.meaning}")
        lines += tables
    return [*lines, ""]
