"""The scripts are not a package: put their folder where they can be imported, as they do themselves."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
sys.path.insert(0, str(SCRIPTS))


@pytest.fixture
def scripts_folder() -> Path:
    return SCRIPTS
