"""Write the list of kernels that are compiled ahead of a first run: those that the trial and the demonstration call.

    .venv/bin/python scripts/list_kernels.py

Run it after kernels, or the types that they are called with, have changed.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from catchscreen import Brief, screen
from catchscreen.cli.compiling import LIST, compiled_now
from catchscreen.cli.trial import trial_brief

SAMPLE = Path(__file__).resolve().parent.parent / "sample_geodata"


def main() -> None:
    """Run the trial and the demonstration briefs twice, and list what the second run asked for.

    The first run fills the cache; only then are the kernels that a screening calls told from those they call in turn.
    """
    if "--run-only" not in sys.argv:
        subprocess.run([sys.executable, __file__, "--run-only"], check=True)
    screen(trial_brief())
    for brief in sorted(SAMPLE.glob("*.toml")):
        screen(Brief.from_toml(brief))
    if "--run-only" not in sys.argv:
        lines = compiled_now()
        LIST.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
        print(f"{len(lines)} kernels listed in {LIST}")


if __name__ == "__main__":
    main()
