"""Check everything: lint, types, import contracts, all tests. One command on a fresh machine.

    python3 scripts/test.py            all of it
    python3 scripts/test.py --quick    without the slow tests, for the inner loop

Any Python from 3.11 on will do; what it needs goes into .venv (or --env FOLDER).
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import _environment as setup

WORKERS = min(os.cpu_count() or 1, 4)
COMPILE = "from catchscreen.cli.compiling import compile_ahead; compile_ahead()"
CONTRACTS = "from importlinter.cli import lint_imports_command; lint_imports_command()"


def checks(*, quick: bool) -> list[tuple[str, list[str]]]:
    """Return each check's name and what the environment's Python is given.

    Tests of one file stay in one worker, as they share what is costly to make. The kernels are compiled before, so that
    the workers need not compile the same ones.
    """
    workers = ["-n", str(WORKERS), "--dist", "loadfile"] if WORKERS > 1 else []
    return [
        ("lint", ["-m", "ruff", "check", "."]),
        ("format", ["-m", "ruff", "format", "--check", "--quiet", "."]),
        ("types", ["-m", "mypy"]),
        ("import contracts", ["-c", CONTRACTS]),
        ("kernels", ["-c", COMPILE]),
        ("tests", ["-m", "pytest", "-q", *workers, *(["-m", "not slow"] if quick else [])]),
    ]


def main() -> int:
    """Prepare the environment, run each check, say which failed."""
    parser = setup.parser("Check everything: lint, types, import contracts, all tests.")
    parser.add_argument("--quick", action="store_true", help="leave out the slow tests")
    options = parser.parse_args()
    environment = setup.prepare(options.env, options.wheels, with_tools=True)
    started = time.monotonic()
    failed = []
    for name, arguments in checks(quick=options.quick):
        print(f"\n== {name}", flush=True)
        if environment.run(arguments).returncode != 0:
            failed.append(name)
    seconds = time.monotonic() - started
    print(f"\nFailed: {', '.join(failed)}" if failed else "\nAll checks passed", f"({seconds:.0f} s)")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(setup.guarded(main))
