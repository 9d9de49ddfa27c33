"""Which loss model each piece of ground takes: pieces that lose alike form one loss class.

The share of a piece that is impermeable splits it once. The impermeable part loses a depression store only; the
pervious part takes Green-Ampt or a curve number, never both and nothing more.

References
----------
Green-Ampt parameters by texture: suction, and conductivity of undisturbed ground, from a public table after Rawls,
Brakensiek and Miller, Green-Ampt infiltration parameters from soils data, Journal of Hydraulic Engineering 109(1),
1983; sandy clay and clay, which that table lacks, in proportion to the paper. Effective porosity as in Chow, Maidment
and Mays, Applied Hydrology, 1988, table 4.3.1 (from memory). The paper's own conductivities are several times lower;
with the compaction factor of 0.5 those used here meet the final rates of the hydrologic groups (loam 7.8 against 6.4
mm/h in group B, clay loam 2.2 against 2.5 in C, clay 1.1 against 0.8 in D).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from catchscreen.options import RunoffOptions
from catchscreen.progress import DataIssue, Run
from catchscreen.runoff import curve_number
from catchscreen.units import mm_h_from_m_s

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ANTECEDENT: Final = ("dry", "normal", "wet", "baked")

SOILS: Final[dict[str, tuple[float, float, float, str]]] = {
    "sand": (108.0, 50.0, 0.417, "A"),
    "loamy_sand": (97.0, 61.0, 0.401, "A"),
    "sandy_loam": (50.0, 110.0, 0.412, "A"),
    "loam": (15.5, 89.0, 0.434, "B"),
    "silt_loam": (16.0, 167.0, 0.486, "B"),
    "sandy_clay_loam": (11.0, 219.0, 0.330, "C"),
    "clay_loam": (4.3, 209.0, 0.309, "D"),
    "silty_clay_loam": (5.7, 273.0, 0.432, "D"),
    "sandy_clay": (4.4, 239.0, 0.321, "D"),
    "silty_clay": (3.7, 292.0, 0.423, "D"),
    "clay": (2.2, 316.0, 0.385, "D"),
}
"""Texture: conductivity of undisturbed ground [mm/h], suction [mm], effective porosity, group (TR-55, appendix A)."""

GROUP_RATES_MM_H: Final = {"A": 12.7, "B": 6.4, "C": 2.5, "D": 0.8}
"""Final rates by hydrologic group, for soils of which only the group is known."""

UNTRODDEN: Final = ("woodland",)
SOIL_COLUMNS: Final = ("infiltration_m_s", "texture", "hydrologic_group")


@dataclass(frozen=True, slots=True)
class LossClasses:
    """Loss classes of a ledger.

    number : (rows,) class of each row. parameters : (states, classes, 10) as the loss kernels read them, states in
    the order of ``ANTECEDENT``. table : one row per class, for the reader: cover_class, impermeable_fraction, model,
    its parameters.
    """

    number: Ints
    parameters: Floats
    table: pd.DataFrame


def classify_losses(
    ledger: pd.DataFrame, soils: pd.DataFrame | None, options: RunoffOptions, run: Run | None = None
) -> LossClasses:
    """Group the ledger's rows by cover class, impermeable share and soil, and give each group its loss parameters.

    Parameters
    ----------
    ledger : frame with cover_class, soil_id and the impermeable fractions; the soil's columns may stand in it already.
    soils : frame indexed by soil_id with infiltration_m_s, texture, hydrologic_group (each may be missing), or None.
    """
    keys = _class_keys(ledger, soils, options)
    number, table = _group(keys)
    if run is not None:
        _say_what_is_assumed(table, options, run)
    described = _describe(table, options)
    parameters = np.stack([_parameters(described, state, options) for state in ANTECEDENT])
    return LossClasses(number, parameters, described)


def _class_keys(ledger: pd.DataFrame, soils: pd.DataFrame | None, options: RunoffOptions) -> pd.DataFrame:
    """Return the columns that decide how a row loses water."""
    case = {"low": "impermeable_low_fraction", "mid": "impermeable_fraction", "high": "impermeable_high_fraction"}
    column = case[options.impermeable_case]
    share = ledger[column if column in ledger else "impermeable_fraction"].to_numpy(np.float64)
    keys = pd.DataFrame({"cover_class": ledger["cover_class"].to_numpy(), "impermeable_fraction": share})
    for name in SOIL_COLUMNS:
        if name in ledger:
            keys[name] = ledger[name].to_numpy()
        elif soils is not None and name in soils and "soil_id" in ledger:
            keys[name] = ledger["soil_id"].map(soils[name]).to_numpy()
        else:
            keys[name] = np.nan if name == "infiltration_m_s" else ""
    keys["infiltration_m_s"] = pd.to_numeric(keys["infiltration_m_s"], errors="coerce")
    for name in ("texture", "hydrologic_group"):
        keys[name] = keys[name].astype("object").where(keys[name].notna(), "").astype(str)
    sealed = keys["impermeable_fraction"].to_numpy() >= 1.0
    keys.loc[sealed, "infiltration_m_s"] = np.nan
    keys.loc[sealed, ["texture", "hydrologic_group"]] = ""
    return keys


def _group(keys: pd.DataFrame) -> tuple[Ints, pd.DataFrame]:
    """Give each distinct row a number in sorted order, whatever the order of the ledger."""
    number = np.zeros(len(keys), np.int64)
    for name in keys:
        values = keys[name]
        codes, distinct = pd.factorize(values, sort=True, use_na_sentinel=True)
        number = number * (len(distinct) + 1) + (codes + 1)
        number = np.unique(number, return_inverse=True)[1].astype(np.int64)
    first = np.unique(number, return_index=True)[1]
    return number, keys.iloc[first].reset_index(drop=True)


def _say_what_is_assumed(table: pd.DataFrame, options: RunoffOptions, run: Run) -> None:
    """Note once that soils are unknown where a pervious part had to take the default."""
    pervious = table["impermeable_fraction"] < 1.0
    known = table["texture"].map(read_texture) != ""
    known |= table["infiltration_m_s"].notna() | (table["hydrologic_group"] != "")
    if not (pervious & ~known).any():
        return
    taken = f"curve-number group {options.default_hydrologic_group}"
    if options.loss_model == "green_ampt":
        taken = f"the texture {options.default_texture}"
    run.note(
        DataIssue(
            "unknown",
            "soil_unknown_for_losses",
            "soils",
            f"The soil of some pervious ground is unknown: its losses use {taken}.",
            "Give a soils layer with texture, hydrologic_group or infiltration_m_s.",
        )
    )


def read_texture(text: str) -> str:
    """Return the texture that a soil's description names, or "": the longest name among its words; gravel is as sand.

    Examples
    --------
    >>> read_texture("thin sandy loam over limestone")
    'sandy_loam'
    """
    words = " ".join(re.findall(r"[a-z]+", text.lower().replace("silty loam", "silt loam")))
    found = [name for name in SOILS if f" {name.replace('_', ' ')} " in f" {words} "]
    if not found and " gravel " in f" {words} ":
        return "sand"
    return max(found, key=len, default="")


def _nearest_texture(rate_mm_h: float, factor: float) -> str:
    """Return the texture whose conductivity times a factor is nearest to a rate, on a ratio scale."""
    return min(SOILS, key=lambda soil: abs(np.log(SOILS[soil][0] * factor / rate_mm_h)))


def _conduct(texture: str, rate_mm_h: float, group: str, trodden: float, options: RunoffOptions) -> tuple[str, float]:
    """Return texture and conductivity [mm/h] of trodden or untrodden ground.

    A named texture wins: a rate tested at the depth of a soakaway says little of topsoil. Then the rate itself, then
    the final rate of the group, each with the nearest texture's suction; then the default.
    """
    named = read_texture(texture)
    if not named and rate_mm_h > 0.0:
        return _nearest_texture(rate_mm_h, trodden), rate_mm_h
    if not named and group in GROUP_RATES_MM_H:
        return _nearest_texture(GROUP_RATES_MM_H[group], trodden), GROUP_RATES_MM_H[group]
    named = named or options.default_texture
    local = {str(name): rate for name, rate in options.conductivity_mm_h.items()}
    return named, local.get(named, SOILS[named][0]) * trodden


def _describe(table: pd.DataFrame, options: RunoffOptions) -> pd.DataFrame:
    """Return the class table with conductivity, suction, porosity, curve number and depression store of each class."""
    rows = []
    columns = ("cover_class", "infiltration_m_s", "texture", "hydrologic_group")
    for cover, speed, stated, stated_group in zip(*(table[name].tolist() for name in columns), strict=True):
        rate = mm_h_from_m_s(float(speed))
        trodden = 1.0 if cover in UNTRODDEN else options.compaction_factor
        texture, conductivity = _conduct(stated, rate, stated_group, trodden, options)
        _, suction, porosity, texture_group = SOILS[texture]
        group = stated_group
        if group not in curve_number.GROUPS:
            group = texture_group if read_texture(stated) or rate > 0.0 else options.default_hydrologic_group
        rows.append(
            {
                "model": options.loss_model,
                "soil_texture": texture,
                "soil_group": group,
                "conductivity_mm_h": conductivity,
                "suction_mm": suction,
                "porosity": porosity,
                "curve_number": curve_number.pervious_number(cover, group),
                "depression_mm": options.depression_mm.get(cover, options.depression_mm["unknown"]),
            }
        )
    return pd.concat([table, pd.DataFrame(rows, index=table.index)], axis=1)


def _parameters(classes: pd.DataFrame, antecedent: str, options: RunoffOptions) -> Floats:
    """Return the (classes, 10) parameters of one antecedent state."""
    out = np.zeros((len(classes), 10))
    numbers = curve_number.antecedent_number(classes["curve_number"].to_numpy(np.float64), antecedent)
    out[:, 0] = classes["impermeable_fraction"]
    out[:, 1] = classes["depression_mm"]
    out[:, 2] = 1.0 if antecedent == "wet" else 0.0
    out[:, 3] = 1.0 if options.loss_model == "curve_number" else 0.0
    out[:, 4] = classes["conductivity_mm_h"]
    out[:, 5] = classes["suction_mm"] * classes["porosity"] * options.deficit_fraction[antecedent]
    out[:, 6] = curve_number.retention_mm(numbers, options.abstraction_ratio)
    out[:, 7] = options.abstraction_ratio * out[:, 6]
    if antecedent == "baked":
        out[:, 8], out[:, 9] = options.crust_mm, options.crust_shed_fraction
    return out
