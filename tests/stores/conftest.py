"""Makers of stores, storms and run-on for the tests of the generic store."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from catchscreen.progress import Run
from catchscreen.records import RunOn, Stores, Storms

DEFAULTS: dict[str, float] = {
    "host_area_m2": 100.0,
    "base_area_m2": 100.0,
    "run_on_area_m2": 0.0,
    "wetting_mm": 0.0,
    "intake_mm_h": np.inf,
    "substrate_mm": 0.0,
    "substrate_start_fraction": 0.0,
    "evaporation_factor": 1.0,
    "void_mm": 100.0,
    "sill_mm": 0.0,
    "outlet_mm_h": 0.0,
    "outlet_exponent": 0.5,
    "soak_design_mm_h": 0.0,
    "soak_mean_mm_h": 0.0,
}


def _stores(**columns: object) -> Stores:
    """Make stores from columns; scalars are repeated, what is not given is switched off."""
    kept = columns.pop("intake_kept_per_year", None)
    count = max((np.size(values) for values in columns.values()), default=1)
    arrays = {
        name: np.broadcast_to(np.asarray(columns.get(name, default), dtype=float), (count,)).copy()
        for name, default in DEFAULTS.items()
    }
    ids = tuple(f"s{number:05d}" for number in range(count))
    yearly = None if kept is None else np.broadcast_to(np.asarray(kept, dtype=float), (count,)).copy()
    return Stores(store_id=ids, option_id=ids, outlet_to=("sewer",) * count, intake_kept_per_year=yearly, **arrays)


def _storms(rows: dict[str, tuple[float, float, np.ndarray, float]]) -> Storms:
    """Make storms from id -> (return period in years, duration in min, depth per step in mm, step in min)."""
    frame = pd.DataFrame(
        {
            "label": list(rows),
            "return_period_years": [row[0] for row in rows.values()],
            "duration_min": [row[1] for row in rows.values()],
            "uplift": 1.0,
            "depth_mm": [float(row[2].sum()) for row in rows.values()],
            "profile": "uniform",
            "season": "summer",
            "climate": "now",
            "antecedent": "usual",
            "is_sizing": True,
        },
        index=pd.Index(list(rows), name="storm_id"),
    )
    return Storms(frame, {key: row[2] for key, row in rows.items()}, {key: row[3] for key, row in rows.items()})


def _run_on(weights: object, steps_mm: dict[str, np.ndarray]) -> RunOn:
    """Make run-on from (stores, classes) weights and storm id -> (classes, steps) depths."""
    return RunOn(np.asarray(weights, dtype=float), steps_mm)


@pytest.fixture
def make_stores() -> Callable[..., Stores]:
    """Return the maker of stores."""
    return _stores


@pytest.fixture
def make_storms() -> Callable[..., Storms]:
    """Return the maker of storms."""
    return _storms


@pytest.fixture
def make_run_on() -> Callable[..., RunOn]:
    """Return the maker of run-on."""
    return _run_on


@pytest.fixture
def no_run_on() -> Callable[[Stores, Storms], RunOn]:
    """Return the maker of run-on that is nil: one class of weight zero."""

    def make(stores: Stores, storms: Storms) -> RunOn:
        steps = {key: np.zeros((1, depth.size)) for key, depth in storms.depths_mm.items()}
        return RunOn(np.zeros((len(stores.store_id), 1)), steps)

    return make


@pytest.fixture
def run() -> Run:
    """Return a run that nobody watches."""
    return Run()


@pytest.fixture
def random_stores() -> Callable[..., Stores]:
    """Return the maker of n random stores of all kinds, seeded."""

    def make(count: int, seed: int = 5) -> Stores:
        draw = np.random.default_rng(seed)
        void = draw.uniform(20.0, 140.0, count)
        host = draw.uniform(50.0, 2000.0, count)
        soak = np.where(draw.random(count) < 0.35, 0.0, 10.0 ** draw.uniform(-1.0, 1.6, count))
        return _stores(
            host_area_m2=host,
            base_area_m2=host * draw.uniform(0.6, 1.0, count),
            run_on_area_m2=host * draw.uniform(0.0, 2.0, count),
            wetting_mm=draw.uniform(0.0, 2.0, count),
            intake_mm_h=draw.uniform(20.0, 400.0, count),
            substrate_mm=np.where(draw.random(count) < 0.5, 0.0, draw.uniform(5.0, 40.0, count)),
            substrate_start_fraction=draw.random(count),
            evaporation_factor=draw.uniform(0.7, 1.1, count),
            void_mm=void,
            sill_mm=np.where(draw.random(count) < 0.5, 0.0, void * draw.uniform(0.0, 0.5, count)),
            outlet_mm_h=np.where(draw.random(count) < 0.25, 0.0, 10.0 ** draw.uniform(-0.5, 1.5, count)),
            outlet_exponent=np.where(draw.random(count) < 0.5, 0.5, 1.0),
            soak_design_mm_h=soak / 3.0,
            soak_mean_mm_h=soak,
        )

    return make


@pytest.fixture
def rain_years() -> Callable[..., pd.Series]:
    """Return the maker of an hourly series of invented rain: clusters of wet hours, about 900 mm a year."""

    def make(years: int, seed: int = 7, freq: str = "h") -> pd.Series:
        times = pd.date_range("2001-01-01", f"{2000 + years}-12-31 23:59", freq=freq, tz="UTC")
        draw = np.random.default_rng(seed)
        depth = np.zeros(times.size)
        place = 0
        while place < times.size:
            place += int(draw.exponential(60)) + 1
            length = int(draw.gamma(1.5, 4.0)) + 1
            depth[place : place + length] = draw.gamma(0.6, 1.6, max(0, min(length, times.size - place)))
            place += length
        return pd.Series(depth * (900.0 * years / depth.sum()), index=times)

    return make


@pytest.fixture
def months() -> pd.Series:
    """Return potential evaporation of the twelve months [mm/day], 580 mm a year."""
    values = [0.5, 0.8, 1.4, 2.1, 2.7, 3.1, 3.1, 2.6, 1.7, 1.0, 0.6, 0.4]
    return pd.Series(values, index=range(1, 13))
