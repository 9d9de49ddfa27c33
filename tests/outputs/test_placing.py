"""Nothing that the user made is lost, and a result is either whole or reads as unfinished."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path

import pytest

from catchscreen.errors import ResultNotWritten
from catchscreen.outputs.manifest import (
    build_manifest,
    changed_files,
    find_state,
    is_unchanged,
    read_manifest,
    write_manifest,
)
from catchscreen.outputs.placing import place_result


def build(folder: Path, text: str, names: tuple[str, ...] = ("screening.gpkg", "tables/parcels.csv")) -> list[str]:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    write_manifest(folder / "manifest.json", build_manifest(folder, names, {"run_id": text}, {}))
    return [*names, "manifest.json"]


def test_a_result_is_known_again_by_its_run_and_its_files(tmp_path: Path) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    place_result(built, target, build(built, "one"))
    assert is_unchanged(target, "one")
    assert not is_unchanged(target, "two")
    (target / "tables/parcels.csv").write_text("edited")
    assert not is_unchanged(target, "one")


def test_an_edited_file_is_kept_under_the_first_free_number(tmp_path: Path) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    kept = []
    for number, text in enumerate(("one", "two", "three")):
        kept.append(place_result(built, target, build(built, text)))
        if number < 2:
            (target / "screening.gpkg").write_text(f"mine {number}")
    assert kept == [(), ("screening.edited-1.gpkg",), ("screening.edited-2.gpkg",)]
    assert (target / "screening.gpkg").read_text() == "three"
    assert (target / "screening.edited-1.gpkg").read_text() == "mine 0"
    assert (target / "screening.edited-2.gpkg").read_text() == "mine 1"


def test_foreign_files_stay_and_files_of_the_old_result_go(tmp_path: Path) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    place_result(built, target, build(built, "one"))
    (target / "notes.txt").write_text("mine")
    second = tmp_path / "second"
    place_result(second, target, build(second, "two", ("screening.gpkg",)))
    assert (target / "notes.txt").read_text() == "mine"
    assert not (target / "tables/parcels.csv").exists()


def test_a_target_that_cannot_be_written_keeps_the_finished_files_in_one_place(tmp_path: Path) -> None:
    """Two failures leave one waiting folder, with the later result in it; the run that succeeds removes it."""
    target = tmp_path / "target"
    target.write_text("a file where the folder should be")
    for text in ("one", "two"):
        built = tmp_path / f"built {text}"
        files = build(built, text)
        with pytest.raises(ResultNotWritten, match=r"finished files are in .*then run again\."):
            place_result(built, target, files)
    waiting = [path for path in tmp_path.iterdir() if "unplaced" in path.name]
    assert waiting == [tmp_path / "target.unplaced"]
    assert (waiting[0] / "screening.gpkg").read_text() == "two"
    assert target.read_text() == "a file where the folder should be"
    target.unlink()
    place_result(built, target, files)
    assert not waiting[0].exists()


def test_a_waiting_folder_with_something_of_the_users_is_left_alone(tmp_path: Path) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    files = build(built, "one")
    waiting = tmp_path / "target.unplaced"
    waiting.mkdir()
    (waiting / "notes.txt").write_text("mine")
    target.write_text("in the way")
    with pytest.raises(ResultNotWritten, match="holds other files, so nothing was kept"):
        place_result(built, target, files)
    target.unlink()
    place_result(built, target, files)
    assert [path.name for path in waiting.iterdir()] == ["notes.txt"]


def test_no_room_leaves_the_old_result_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is full at the last of the files: none of the old ones has been touched, no copy is left beside them."""
    built, target = tmp_path / "built", tmp_path / "target"
    place_result(built, target, build(built, "one"))
    files = build(built, "two")
    copy = shutil.copyfile

    def full(source: Path, aside: Path) -> None:
        if Path(source).name == "manifest.json":
            raise OSError(errno.ENOSPC, "No space left on device")
        copy(source, aside)

    monkeypatch.setattr("shutil.copyfile", full)
    with pytest.raises(ResultNotWritten, match=r"No space left.*write permission and room, then run again"):
        place_result(built, target, files)
    assert is_unchanged(target, "one")
    assert sorted(path.name for path in tmp_path.rglob("*") if ".tmp-" in path.name or "unplaced" in path.name) == []


@pytest.mark.parametrize("end", [KeyboardInterrupt, OSError])
def test_an_interrupted_write_reads_as_unfinished_and_the_next_one_mends_it(
    end: type[BaseException], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped when the second file is swapped in: no manifest, so nobody takes old and new together for one result."""
    built, target = tmp_path / "built", tmp_path / "target"
    place_result(built, target, build(built, "one"))
    assert find_state(target) == "finished"
    files = build(built, "two")
    swap = Path.replace

    def stopped(self: Path, aim: Path) -> Path:
        if Path(aim).name == "parcels.csv":
            raise end
        return swap(self, aim)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", stopped)
        with pytest.raises(KeyboardInterrupt if end is KeyboardInterrupt else ResultNotWritten):
            place_result(built, target, files)
    assert (target / "screening.gpkg").read_text() == "two"
    assert (target / "tables/parcels.csv").read_text() == "one"
    assert find_state(target) == "unfinished: run again"
    assert not is_unchanged(target, "two")
    place_result(built, target, files)
    assert find_state(target) == "finished"
    assert is_unchanged(target, "two")
    assert not [path for path in target.rglob("*") if ".edited-" in path.name or ".tmp-" in path.name]


def test_the_manifest_is_swapped_in_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    files = build(built, "one")
    order: list[str] = []
    swap = Path.replace

    def noted(self: Path, aim: Path) -> Path:
        order.append(Path(aim).name)
        return swap(self, aim)

    monkeypatch.setattr(Path, "replace", noted)
    place_result(built, target, ["manifest.json", *files[:-1]])
    assert order == ["screening.gpkg", "parcels.csv", "manifest.json"]


def test_a_mismatch_reads_as_unfinished(tmp_path: Path) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    assert find_state(target) == "none"
    place_result(built, target, build(built, "one"))
    (target / "tables/parcels.csv").unlink()
    assert find_state(target) == "unfinished: run again"
    (target / "tables/parcels.csv").write_text("one")
    assert find_state(target) == "finished"
    (target / "manifest.json").unlink()
    assert find_state(target) == "unfinished: run again"


def test_a_broken_manifest_reads_as_none(tmp_path: Path) -> None:
    (tmp_path / "manifest.json").write_text("{")
    assert read_manifest(tmp_path) is None
    assert not is_unchanged(tmp_path, "one")
    assert changed_files(tmp_path, {"files": {"a": "0"}}) == ["a"]
