"""The second process draws the same bytes; whatever becomes of it, the picture is drawn, and nothing of it stays."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from catchscreen.outputs import painter as painting_elsewhere
from catchscreen.outputs.painter import Painter
from catchscreen.outputs.painting import paint
from catchscreen.outputs.sketch import Lines, Outline, Sheet, Sketch


@pytest.fixture(scope="module")
def sketch() -> Sketch:
    """A district of one square parcel with a roof, a path and a hollow."""
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0], [0.0, 0.0]])
    outline = Outline(square, np.array([0]))
    small = Outline(square / 2.0 + 1.0, np.array([0]))
    return Sketch(
        title="Vale",
        subtitle="one parcel",
        sheet=Sheet(8.0, 7.2, 4.0, 4.0, -1.0, -1.0, 11.0, 11.0),
        light=(np.linspace(0.0, 1.0, 16, dtype=np.float32).reshape(4, 4), (0.0, 0.0, 10.0, 10.0)),
        ground=(("planted", outline), ("roof", small)),
        edges=outline,
        flow=Lines([square[:3]], np.array([1.5])),
        hollows=small,
        candidates=(("green_roof", 1, small),),
        anchors=np.array([[5.0, 5.0]]),
        first=((1, "Mill yard"),),
        measures=("green_roof",),
        kinds=frozenset({"planted", "roof"}),
        some_without_outline=False,
    )


@pytest.fixture(scope="module")
def drawn_here(sketch: Sketch, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("here") / "a.png"
    paint(path, sketch)
    return path.read_bytes()


def not_here(*_: object) -> None:
    raise AssertionError("drawn in this process")


def test_the_other_process_makes_the_same_bytes(
    sketch: Sketch, drawn_here: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Painter() as painter:
        monkeypatch.setattr("catchscreen.outputs.painting.paint", not_here)
        painter.draw(tmp_path / "Übersicht 1.png", sketch)
        monkeypatch.undo()
        assert (tmp_path / "Übersicht 1.png").read_bytes() == drawn_here
        # A second one is drawn here: the process made its one.
        painter.draw(tmp_path / "b.png", sketch)
    assert (tmp_path / "b.png").read_bytes() == drawn_here


@pytest.mark.parametrize(
    "program",
    [
        "raise SystemExit(0)",
        "raise SystemExit(3)",
        "import sys; sys.stdin.buffer.read()",
        "import sys; sys.stdin.buffer.read(); print('something else')",
        "import sys; sys.stdin.buffer.read(); print('drawn', end='', flush=True); sys.exit(1)",
    ],
    ids=["gone", "failed at once", "silent", "says something else", "fails at the end"],
)
def test_one_that_fails_is_replaced_by_this_process(
    program: str, sketch: Sketch, drawn_here: bytes, tmp_path: Path
) -> None:
    with Painter((sys.executable, "-c", program)) as painter:
        painter.draw(tmp_path / "a.png", sketch)
    assert (tmp_path / "a.png").read_bytes() == drawn_here


def test_one_that_cannot_start_is_replaced_by_this_process(sketch: Sketch, drawn_here: bytes, tmp_path: Path) -> None:
    with Painter((str(tmp_path / "no such program"),)) as painter:
        painter.draw(tmp_path / "a.png", sketch)
    assert (tmp_path / "a.png").read_bytes() == drawn_here


def test_one_that_hangs_is_ended_and_replaced(
    sketch: Sketch, drawn_here: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(painting_elsewhere, "LONGEST_WAIT_S", 0.2)
    with Painter((sys.executable, "-c", "import time; time.sleep(600)")) as painter:
        process = painter._process
        painter.draw(tmp_path / "a.png", sketch)
    assert (tmp_path / "a.png").read_bytes() == drawn_here
    assert process is not None
    assert process.poll() is not None


def test_one_that_is_not_asked_ends_with_its_context() -> None:
    with Painter() as painter:
        process = painter._process
        assert process is not None
        assert process.poll() is None
    assert process.poll() is not None
    assert process.stdin is not None
    assert process.stdin.closed


def test_one_whose_asker_went_away_ends_by_itself() -> None:
    """Standard input ends without a sketch: nothing is drawn, nothing is said, and it was no failure."""
    command = (sys.executable, *painting_elsewhere._CALL, painting_elsewhere._PROGRAM)
    done = subprocess.run(command, input=pickle.dumps(sys.path), capture_output=True, timeout=120, check=False)
    assert (done.returncode, done.stdout) == (0, b"")


def test_it_runs_from_a_bare_script_and_not_the_script_again(tmp_path: Path) -> None:
    """No guard around the script's lines, and a module in its folder that is named like one of the standard library."""
    (tmp_path / "pickle.py").write_text("raise AssertionError('the wrong module')\n", encoding="utf-8")
    script = tmp_path / "bare.py"
    script.write_text(
        "import sys\n"
        "here = sys.path.pop(0)\n"
        "from catchscreen.outputs.painter import Painter\n"
        "sys.path.append(here)\n"
        "print('once')\n"
        "with Painter() as painter:\n"
        "    process = painter._process\n"
        "    out, _ = process.communicate(timeout=120)\n"
        "    print(process.returncode, out)\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, encoding="utf-8", timeout=240, cwd=tmp_path, check=False
    )
    assert done.stdout.splitlines() == ["once", "0 b''"], done.stderr
