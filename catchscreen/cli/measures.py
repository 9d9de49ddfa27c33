"""``catchscreen measures``: which measures are installed, from which package, and what they read."""

from __future__ import annotations

import textwrap
from typing import Any, NoReturn

from catchscreen.cli.running import FAILED, Stop, run_command
from catchscreen.cli.shared_options import AsJson, LogFile, Manner, Quiet, Verbose
from catchscreen.cli.speaking import Answer


def measures(quiet: Quiet = False, verbose: Verbose = 0, log_file: LogFile = None, as_json: AsJson = False) -> NoReturn:
    """List the installed measures, from which package each comes and what it reads."""
    run_command("measures", Manner(quiet, verbose, log_file, as_json), _list_measures)


def _list_measures(_stop: Stop) -> Answer:
    from catchscreen.measures.catalogue import shipped_files
    from catchscreen.measures.registry import find_measures

    found = find_measures()
    answer = Answer(data={"measures": []})
    for entry in found:
        row: dict[str, Any] = {"name": entry.name, "distribution": entry.distribution, "fault": entry.fault or None}
        answer.lines.append(f"{entry.name}  (from {entry.distribution})")
        if entry.measure is None:
            answer.lines.append(f"    BROKEN: {entry.fault}")
            answer.exit_code = FAILED
        else:
            measure = entry.measure
            variants = [variant.name for variant in measure.variants]
            row |= {"title": measure.title, "ground": measure.ground, "variants": variants}
            row["columns"] = [
                {"name": column.name, "unit": column.unit, "meaning": column.meaning} for column in measure.columns
            ]
            answer.lines.append(f"    {measure.title}, on {measure.ground}; variants: {', '.join(variants)}")
            answer.lines += _reads([column.name for column in measure.columns])
        answer.data["measures"].append(row)
    own = shipped_files()
    answer.data["files"] = {role: str(path) for role, path in own.items()}
    answer.lines.append("Layers and unit costs: copy a file, change it, and name the copy in the brief.")
    answer.lines += [f'    [{role}] file = "..."   shipped: {path}' for role, path in own.items()]
    return answer


def _reads(columns: list[str]) -> list[str]:
    """Say which columns of the site table a measure reads, in lines that fit a terminal."""
    if not columns:
        return []
    text = "reads " + ", ".join(columns)
    return textwrap.wrap(text, width=100, initial_indent="    ", subsequent_indent="          ")
