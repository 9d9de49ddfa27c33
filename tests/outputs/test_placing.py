"""Nothing that the user made is lost, and a result is either whole or reads as unfinished."""

from __future__ import annotations

from pathlib import Path

import pytest

from catchscreen.errors import ResultNotWritten
from catchscreen.outputs.manifest import build_manifest, changed_files, is_unchanged, read_manifest, write_manifest
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
    for number, text in enumerate(("one", "two", "three")):
        place_result(built, target, build(built, text))
        if number < 2:
            (target / "screening.gpkg").write_text(f"mine {number}")
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


def test_a_target_that_cannot_be_written_keeps_the_finished_files(tmp_path: Path) -> None:
    built, target = tmp_path / "built", tmp_path / "target"
    files = build(built, "one")
    target.write_text("a file where the folder should be")
    with pytest.raises(ResultNotWritten, match="finished files are in"):
        place_result(built, target, files)
    kept = next(path for path in tmp_path.iterdir() if "unplaced" in path.name)
    assert (kept / "screening.gpkg").read_text() == "one"
    assert target.read_text() == "a file where the folder should be"


def test_a_broken_manifest_reads_as_none(tmp_path: Path) -> None:
    (tmp_path / "manifest.json").write_text("{")
    assert read_manifest(tmp_path) is None
    assert not is_unchanged(tmp_path, "one")
    assert changed_files(tmp_path, {"files": {"a": "0"}}) == ["a"]
