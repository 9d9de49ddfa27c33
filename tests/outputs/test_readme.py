"""README says what the schema says."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_table_of_columns_is_the_schemas() -> None:
    with_columns = runpy.run_path(str(ROOT / "scripts" / "write_readme_columns.py"))["with_columns"]
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert text == with_columns(text), "run scripts/write_readme_columns.py"
