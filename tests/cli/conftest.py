"""Commands are run as a user does it, but in this process; the engine is replaced where a test says so."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner


@dataclass
class Engine:
    """What the stand-in for the pipeline answers, and what it was asked. ``end`` is raised when it is an exception."""

    issues: list[Any] = field(default_factory=list)
    end: BaseException | None = None
    written: list[Path] = field(default_factory=list)
    screening: Any = None
    during: Any = None


@pytest.fixture
def run():
    """Run a command line; the result has exit_code, stdout and stderr."""
    from catchscreen.cli import app

    runner = CliRunner()
    return lambda *words: runner.invoke(app, [str(word) for word in words], prog_name="catchscreen")


@pytest.fixture
def brief_file(tmp_path) -> Path:
    path = tmp_path / "town.toml"
    path.write_text("# read by a stand-in\n", encoding="utf-8")
    return path


@pytest.fixture
def engine(monkeypatch, tmp_path):
    """Put a stand-in where the brief and the pipeline are, so that only the command line is under test."""
    known = Engine()

    def screen(brief, *, progress=None, cancelled=None):
        if known.during is not None:
            known.during(cancelled)
        if known.end is not None:
            raise known.end
        return known.screening

    def check(brief, run=None):
        if known.end is not None:
            raise known.end
        return known.issues

    pipeline = ModuleType("catchscreen.pipeline")
    pipeline.screen, pipeline.check, pipeline.run_id = screen, check, lambda brief: "run-1"
    monkeypatch.setitem(sys.modules, "catchscreen.pipeline", pipeline)
    import catchscreen

    monkeypatch.setattr(catchscreen, "pipeline", pipeline, raising=False)
    brief = SimpleNamespace(folder=tmp_path, stem="town")
    monkeypatch.setattr("catchscreen.brief.Brief.from_toml", lambda path: brief)
    return known


@pytest.fixture
def screening(tmp_path):
    """A small result with two ranked parcels, one without a candidate, in frames as a screening holds them."""
    import pandas as pd

    parcels = pd.DataFrame(
        {
            "name": ["Mill yard", None, "Park"],
            "score": [71.24, 40.0, float("nan")],
            "rank": pd.array([1, 2, None], dtype="Int64"),
            "best_candidate": ["a.paving", "b.roof", None],
        },
        index=pd.Index(["a", "b", "c"], name="parcel_id"),
    )
    candidates = pd.DataFrame(
        {
            "measure": ["permeable_paving", "green_roof"],
            "variant": ["lined", "extensive"],
            "host_area_low_m2": [1234.56, 150.0],
            "host_area_m2": [1234.56, 200.0],
            "host_area_high_m2": [1234.56, 250.0],
            "retained_low_m3": [0.0, float("nan")],
            "retained_m3": [12.34, float("nan")],
            "retained_high_m3": [40.0, float("nan")],
            "slowed_m3": [0.0, 3.0],
            "storm_id": ["s1", "s1"],
            "storm": ["sizing storm: 1-in-30, 6 h, now"] * 2,
            "cost_low": [10049.9, 100.0],
            "cost_high": [20000.0, 300.0],
            "currency": ["EUR", "EUR"],
            "price_year": pd.array([2024, 2024], dtype="Int64"),
            "is_unproven": [True, False],
            "next_check": ["test the ground", ""],
        },
        index=pd.Index(["a.paving", "b.roof"], name="candidate_id"),
    )
    issues = pd.DataFrame(
        [["unknown", "role-absent", "soils", "no soils were given.", "Give a soil map.", None, None]],
        columns=["severity", "code", "role", "message", "cure", "file", "feature"],
    )
    written = SimpleNamespace(folder=tmp_path / "town_result", files=("screening.gpkg", "manifest.json"), kept=())
    from catchscreen.outputs.schema import layers_for

    return SimpleNamespace(
        layers=layers_for([]),
        frame={"run": pd.DataFrame({"value": ["soils"]}, index=["narrowed_most_by"])}.__getitem__,
        parcels=parcels,
        candidates=candidates,
        data_issues=issues,
        run_id="run-1",
        cautions=("Screening only.", "Costs are bands."),
        written=written,
        write=lambda folder=None, *, painter=None: written,
    )
