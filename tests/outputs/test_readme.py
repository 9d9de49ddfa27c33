"""README says what the code says."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_tables_are_the_codes() -> None:
    with_tables = runpy.run_path(str(ROOT / "scripts" / "write_readme_tables.py"))["with_tables"]
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert text == with_tables(text), "run scripts/write_readme_tables.py"
