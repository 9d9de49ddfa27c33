"""Small ledgers, lands and storms for the runoff tests."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from catchscreen.options import RunoffOptions
from catchscreen.progress import Run
from catchscreen.records import Stores, StormRuns, Storms
from catchscreen.runoff import run_storms

LEDGER_DEFAULTS = {
    "parcel_id": "P1",
    "subcatchment_id": "C1",
    "hollow_id": "",
    "soil_id": "",
    "zone_id": "Z1",
    "cover_class": "asphalt",
    "area_m2": 1000.0,
    "impermeable_fraction": 1.0,
    "piped_fraction": 0.9,
    "to_ground_fraction": 0.0,
    "overland_fraction": 0.1,
}


@pytest.fixture
def make_ledger() -> Callable[..., pd.DataFrame]:
    """Build a ledger from one dict per row; what a row leaves out is the piece of the hand test."""

    def make(*rows: dict[str, object]) -> pd.DataFrame:
        frame = pd.DataFrame([LEDGER_DEFAULTS | row for row in rows or ({},)])
        frame["surface_id"] = [f"S{n:05d}" for n in range(len(frame))]
        for column in ("impermeable_low_fraction", "impermeable_high_fraction"):
            frame[column] = frame["impermeable_fraction"]
        return frame

    return make


@pytest.fixture
def make_land() -> Callable[..., SimpleNamespace]:
    """Build what the ledger reads of a terrain: sub-catchments and hollows."""

    def make(
        hollows: dict[str, tuple[float, str]] | None = None, below: dict[str, str] | None = None
    ) -> SimpleNamespace:
        lands = {"C1": ""} | (below or {})
        subcatchments = pd.DataFrame(
            {
                "downstream_id": list(lands.values()),
                "time_of_concentration_min": 20.0,
                "longest_path_m": 300.0,
            },
            index=pd.Index(list(lands), name="subcatchment_id"),
        )
        listed = hollows or {}
        frame = pd.DataFrame(
            {
                "volume_m3": [volume for volume, _ in listed.values()],
                "spills_into_id": [target for _, target in listed.values()],
            },
            index=pd.Index(list(listed), name="hollow_id", dtype=object),
        )
        return SimpleNamespace(subcatchments=subcatchments, hollows=frame)

    return make


@pytest.fixture
def make_storms() -> Callable[..., Storms]:
    """Build storms from depths per step."""

    def make(step_min: float = 1.0, antecedent: str = "normal", **depths: object) -> Storms:
        arrays = {name: np.asarray(values, np.float64) for name, values in sorted(depths.items())}
        frame = pd.DataFrame(
            {
                "label": list(arrays),
                "return_period_years": np.nan,
                "duration_min": [values.size * step_min for values in arrays.values()],
                "uplift": 1.0,
                "depth_mm": [values.sum() for values in arrays.values()],
                "profile": "uniform",
                "season": "",
                "climate": "now",
                "antecedent": antecedent,
                "is_sizing": False,
            },
            index=pd.Index(list(arrays), name="storm_id"),
        )
        return Storms(frame, arrays, dict.fromkeys(arrays, step_min))

    return make


@pytest.fixture
def make_zones() -> Callable[..., pd.DataFrame]:
    """Build sewer zones from id -> capacity [mm/h]."""

    def make(**capacities: float) -> pd.DataFrame:
        return pd.DataFrame(
            {"sewer_kind": "combined", "outfall": "O1", "capacity_mm_h": list(capacities.values())},
            index=pd.Index(list(capacities), name="zone_id"),
        )

    return make


@pytest.fixture
def make_stores() -> Callable[..., Stores]:
    """Build stores from one dict per store; what is left out is off."""

    def make(*rows: dict[str, object]) -> Stores:
        off = {
            "host_area_m2": 200.0,
            "base_area_m2": 0.0,
            "run_on_area_m2": 0.0,
            "wetting_mm": 0.0,
            "intake_mm_h": np.inf,
            "substrate_mm": 0.0,
            "substrate_start_fraction": 0.0,
            "evaporation_factor": 1.0,
            "void_mm": 0.0,
            "sill_mm": 0.0,
            "outlet_mm_h": 0.0,
            "outlet_exponent": 0.5,
            "soak_design_mm_h": 0.0,
            "soak_mean_mm_h": 0.0,
        }
        full = [off | row for row in rows]
        names = tuple(f"K{n}" for n in range(len(full)))
        to = tuple(str(row.pop("outlet_to", "sewer")) for row in full)
        arrays = {key: np.array([row[key] for row in full], np.float64) for key in off}
        return Stores(store_id=names, option_id=names, outlet_to=to, **arrays)

    return make


@pytest.fixture
def run_ledger(
    make_land: Callable[..., SimpleNamespace], make_zones: Callable[..., pd.DataFrame]
) -> Callable[..., StormRuns]:
    """Run a ledger with the hand test's zone unless told otherwise."""

    def run(ledger: pd.DataFrame, storms: Storms, **more: object) -> StormRuns:
        land = more.pop("land", None) or make_land()
        zones = more.pop("zones", make_zones(Z1=12.0))
        options = more.pop("options", RunoffOptions())
        return run_storms(ledger, land, zones, storms, options, more.pop("run", Run()), **more)

    return run
