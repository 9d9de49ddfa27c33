"""Kernels are compiled ahead by several processes, from a list that is up to date."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from catchscreen.cli.compiling import LIST, compile_listed, shares

LINES = ["a:k (int64,)", "b:k (int64,)", "a:l (float64,)", "c:m (int64, int64,)"]


@pytest.mark.parametrize("number", [1, 2, 3, 5])
def test_every_line_is_in_one_share_and_a_module_is_not_torn_apart(number):
    parts = shares(LINES, number)
    assert len(parts) == number
    assert sorted(line for part in parts for line in part) == sorted(LINES)
    assert sum(any(line.startswith("a:") for line in part) for part in parts) == 1


def test_a_line_that_has_aged_is_passed_over():
    assert compile_listed(["catchscreen.terrain._kernels.gone:gone (int64,)", "catchscreen.units:gone (int64,)"]) == 0


@pytest.mark.slow
def test_a_trial_compiles_nothing_that_is_not_listed():
    """When this fails, kernels or their types have changed: run scripts/list_kernels.py.

    The trial is run twice: the first run fills the cache, the second finds there what it calls, which is listed.
    """
    code = (
        "from catchscreen import screen\n"
        "from catchscreen.cli.compiling import compiled_now\n"
        "from catchscreen.cli.trial import trial_brief\n"
        "screen(trial_brief())\n"
        "print('\\n'.join(compiled_now()))\n"
    )
    for _ in range(2):
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    assert set(done.stdout.splitlines()) - set(LIST.read_text(encoding="utf-8").splitlines()) == set()


@pytest.mark.slow
def test_what_was_compiled_ahead_is_found_by_a_run(tmp_path):
    """One small kernel, compiled from its line in one process, is read from the cache by the next."""
    line = next(text for text in LIST.read_text(encoding="utf-8").splitlines() if "_loss_kernels:run_losses" in text)
    variables = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    code = f"from catchscreen.cli.compiling import compile_listed; assert compile_listed([{line!r}]) == 1"
    subprocess.run([sys.executable, "-c", code], env=variables, check=True)
    code = (
        "import numpy as np, sys\n"
        "from catchscreen.cli.compiling import compile_listed\n"
        "from catchscreen.runoff._loss_kernels import run_losses\n"
        f"compile_listed([{line!r}])\n"
        "print(sum(run_losses.stats.cache_hits.values()), sum(run_losses.stats.cache_misses.values()))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=variables, capture_output=True, encoding="utf-8", check=True
    )
    assert done.stdout.split() == ["1", "0"]
