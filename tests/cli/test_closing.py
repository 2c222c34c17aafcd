"""What the end of a run says of its results."""

from leafledger.cli.run_commands import onset_sentences, say_closing
from leafledger.runner.run import RunResult
from leafledger.study.table_files import write_json


def test_since_when_stands_with_what_was_found(tmp_path, capsys):
    assert onset_sentences(tmp_path) == []
    (tmp_path / "results").mkdir()
    write_json(
        tmp_path / "results/effects.json",
        {
            "findings": [{"id": "primary", "sentence": "NDVI rose."}],
            "onset": [{"index": "NDVI", "sentence": "NDVI, a against b: shown from day4 on."}],
        },
    )
    assert onset_sentences(tmp_path) == ["NDVI, a against b: shown from day4 on."]
    say_closing(tmp_path, RunResult("run", "idle", []))
    said = " ".join(capsys.readouterr().out.split())
    assert "Found: - NDVI rose. - Since when. NDVI, a against b: shown from day4 on." in said


def test_lots_that_are_still_to_be_drawn_are_named_as_the_next_step(tmp_path, capsys):
    write = {"findings": [], "unfinished": {"said": ["NDVI at day4 waits: day4 has no scans yet."]}}
    (tmp_path / "results").mkdir()
    write_json(tmp_path / "results/effects.json", write)
    say_closing(tmp_path, RunResult("run", "idle", []))
    assert "Next:" not in capsys.readouterr().out
    write["unfinished"]["said"] = ["NDVI at day4 waits: treatments are not allocated yet."]
    write_json(tmp_path / "results/effects.json", write)
    say_closing(tmp_path, RunResult("run", "idle", []))
    assert f"Next:    leafledger plan allocate {tmp_path}" in capsys.readouterr().out
