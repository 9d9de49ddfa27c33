r"""Set up catchscreen and screen the invented district in sample_geodata. One command on a fresh machine.

python3 scripts/demo.py                   (Windows: py scripts\demo.py)
python3 scripts/demo.py --env FOLDER      the environment goes into FOLDER instead of .venv
python3 scripts/demo.py --wheels FOLDER   install from a folder of wheels, without a network
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import _environment as setup
from _obstacles import Refusal

BRIEF = setup.ROOT / "sample_geodata" / "brief.toml"


def main() -> int:
    """Prepare the environment, compile the kernels, screen the demonstration district, show where to look."""
    options = setup.parser("Set up catchscreen and screen the demonstration district.").parse_args()
    environment = setup.prepare(options.env, options.wheels, with_tools=False)
    with setup.Step("Checking the installation and compiling its kernels (the first time takes longest)"):
        run(environment, ["doctor", "--quiet"])
    with setup.Step("Screening the demonstration district, an invented town"):
        run(environment, ["screen", str(BRIEF)])
    print("\nFor your own geodata, a folder with at least parcels and an elevation raster:\n")
    print("  " + setup.quoted([str(environment.python), "-m", "catchscreen", "new", "FOLDER"]))
    return 0


def run(environment: setup.Environment, arguments: list[str]) -> None:
    """Run catchscreen; it says itself what went wrong.

    Raises
    ------
    Refusal
        When it did not succeed.
    """
    done = environment.run(["-m", "catchscreen", *arguments])
    if done.returncode != 0:
        raise Refusal(
            f"`catchscreen {arguments[0]}` ended with exit code {done.returncode}; what it said stands above."
        )


if __name__ == "__main__":
    raise SystemExit(setup.guarded(main))
