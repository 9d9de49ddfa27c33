"""Write the list of kernels that are compiled ahead of a first run: those that the trial and the demonstration call.

    .venv/bin/python scripts/list_kernels.py

Run it after kernels, or the types that they are called with, have changed.
"""

from __future__ import annotations

from pathlib import Path

from catchscreen import Brief, screen
from catchscreen.cli.compiling import LIST, compiled_now
from catchscreen.cli.trial import trial_brief

SAMPLE = Path(__file__).resolve().parent.parent / "sample_geodata"


def main() -> None:
    """Run the trial and the demonstration briefs, and list what was compiled."""
    screen(trial_brief())
    for brief in sorted(SAMPLE.glob("*.toml")):
        screen(Brief.from_toml(brief))
    lines = compiled_now()
    LIST.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    print(f"{len(lines)} kernels listed in {LIST}")


if __name__ == "__main__":
    main()
