"""What a finished screening says: the first sites, where to look, the cautions."""

from __future__ import annotations

import json

import pandas as pd


def test_a_reader_gets_the_first_sites_the_place_and_the_cautions(run, engine, brief_file, screening):
    engine.screening = screening
    result = run("screen", brief_file)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    found = "3 parcels screened, 2 candidates found, 0 places set aside"
    assert f"{found}; in the data 0 repairs and 1 unknown (layer data_issues)." in lines
    row = next(line for line in lines if "Mill yard" in line)
    assert row.split() == [
        "1",
        "a",
        "Mill",
        "yard",
        "permeable",
        "paving,",
        "lined",
        "*",
        "71.2",
        "1,235",
        "12.3",
        "(0",
        "to",
        "40)",
        "0",
        "10,000",
        "to",
        "20,000",
    ]
    assert any("b " in line and "green roof, extensive" in line and "unknown" in line for line in lines)
    assert any("200 (150 to 250)" in line for line in lines)
    assert not any("Park" in line for line in lines)
    assert f"The result is in {screening.written.folder}" in lines
    assert "Screening only." in lines
    assert "One more layer would narrow the ranges most: soils." in lines
    assert any("not proven" in line for line in lines)


def test_json_holds_the_same_as_plain_values(run, engine, brief_file, screening):
    engine.screening = screening
    content = json.loads(run("screen", brief_file, "--json").stdout)
    assert content["status"] == "done"
    assert content["schema_version"] == 1
    assert content["numbers"] == {"parcels": 3, "candidates": 2, "places_set_aside": 0}
    assert content["data_issues"] == {"repair": 0, "unknown": 1, "note": 0}
    assert content["cautions"] == ["Screening only.", "Costs are bands."]
    assert content["files"] == ["screening.gpkg", "manifest.json"]
    first, second = content["first_sites"]
    assert (first["rank"], first["parcel_id"], first["host_area_m2"]) == (1, "a", 1234.6)
    assert first["is_unproven"] is True
    assert second["retained_m3"] is None
    assert second["next_check"] is None


def test_heads_carry_units_and_the_words_are_explained_once(run, engine, brief_file, screening):
    engine.screening = screening
    text = run("screen", brief_file).stdout
    heads = next(line for line in text.splitlines() if line.startswith("rank"))
    for head in ("host m2", "retained m3", "slowed m3", "cost EUR"):
        assert head in heads
    assert text.count("retained: soaks away, evaporates or stays below the outlet") == 1
    assert text.count("never added") == 1
    assert "Volumes are those of one storm, sizing storm: 1-in-30, 6 h, now" in text
    assert "a band in EUR at prices of 2024, not a quotation" in text


def test_storms_that_differ_are_not_named_as_one(run, engine, brief_file, screening):
    screening.candidates["storm"] = ["1-in-30, 6 h, now", "1-in-10, 1 h, now"]
    engine.screening = screening
    assert "the storm that each site was sized on" in run("screen", brief_file).stdout


def test_a_store_that_overflows_in_its_own_storm_is_marked(run, engine, brief_file, screening):
    engine.screening = screening
    said = "overflows in the storm it is sized on"
    for passes, marked in (([1, 0], [False, True]), ([1, 1], [False, False]), ([None, None], [False, False])):
        screening.candidates["passes_sizing_storm"] = pd.array(passes, dtype="Int64")
        text = run("screen", brief_file).stdout
        rows = [next(line for line in text.splitlines() if words in line) for words in ("Mill yard", "green roof, ext")]
        assert [" ! " in row for row in rows] == marked
        assert (said in text) is any(marked)


def test_a_score_that_the_unknown_could_move_far_shows_its_ends(run, engine, brief_file, screening):
    screening.candidates["score_low"], screening.candidates["score_high"] = [30.4, 38.0], [90.2, 42.9]
    screening.candidates["score_rests_on"] = ["6 of 18 criteria, 39 % of the weight", "14 of 14 criteria, 100 %"]
    engine.screening = screening
    text = run("screen", brief_file).stdout
    assert "71.2 (30 to 90)" in text
    assert "40.0 (" not in text
    assert "with the unknown at its worst and at its best" in text
    first = json.loads(run("screen", brief_file, "--json").stdout)["first_sites"][0]
    assert (first["score_low"], first["score_high"]) == (30.4, 90.2)
    assert first["score_rests_on"] == "6 of 18 criteria, 39 % of the weight"


def test_a_kept_edited_file_is_told_in_one_line(run, engine, brief_file, screening):
    screening.written.kept = ("screening.edited-1.gpkg",)
    engine.screening = screening
    text = run("screen", brief_file).stdout
    assert "Your edited file of the result before is kept as screening.edited-1.gpkg." in text.splitlines()
    content = json.loads(run("screen", brief_file, "--json").stdout)
    assert content["kept_edited_files"] == ["screening.edited-1.gpkg"]


def test_an_unfinished_result_before_is_told(run, engine, brief_file, screening, tmp_path):
    engine.screening = screening
    said = "The result before this one was unfinished"
    assert said not in run("screen", brief_file).stdout
    (tmp_path / "town_result").mkdir()
    (tmp_path / "town_result" / "screening.gpkg").write_text("half of it")
    assert run("screen", brief_file).stdout.startswith(said)


def test_no_candidate_at_all_is_said(run, engine, brief_file, screening):
    screening.parcels["rank"] = None
    engine.screening = screening
    assert "No parcel has a candidate" in run("screen", brief_file).stdout


def test_strict_refuses_what_only_the_run_found(run, engine, brief_file, screening):
    engine.screening = screening
    result = run("screen", brief_file, "--strict")
    assert result.exit_code == 3
    assert "unknown: no soils were given. Give a soil map." in result.stderr
    assert "--strict makes faults of the 0 repairs and 1 unknown of the whole run." in result.stderr


def test_an_unchanged_result_is_not_written_again(run, engine, brief_file, screening, monkeypatch, tmp_path):
    asked = []

    def is_unchanged(folder, run_id):
        asked.append((folder, run_id))
        return len(asked) == 1

    monkeypatch.setattr("catchscreen.outputs.manifest.is_unchanged", is_unchanged)
    engine.screening = screening
    first = run("screen", brief_file, "--if-changed")
    assert first.stdout.startswith("unchanged: ")
    assert "parcels screened" in run("screen", brief_file, "--if-changed").stdout
    assert asked == [(tmp_path / "town_result", "run-1")] * 2


def test_a_file_where_the_result_goes_is_told_before_the_run(run, engine, brief_file, screening, tmp_path):
    engine.screening = screening
    (tmp_path / "town_result").write_text("mine")
    result = run("screen", brief_file)
    assert result.exit_code == 3
    assert "Move or rename that file" in result.stderr
    assert engine.written == []
    assert (tmp_path / "town_result").read_text() == "mine"
