"""Make the demonstration district Ambrel Vale, an invented town, and assert the figures that it must show.

Usage: python scripts/make_sample_geodata.py [FOLDER]   (by default sample_geodata beside this folder)
"""

from __future__ import annotations

import sys
from pathlib import Path

from ambrel_vale.making import make

if __name__ == "__main__":
    default = Path(__file__).resolve().parent.parent / "sample_geodata"
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else default)
