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


def test_the_answer_of_the_report_stands_first(tmp_path, capsys):
    (tmp_path / "results").mkdir()
    row = {"answer": "The index rose.", "support": "n = 3 + 3 plants.", "verdict": "significant"}
    write_json(tmp_path / "results/answer.json", {"question": "", "answers": [row]})
    finding = {"id": "primary", "sentence": "NDVI rose by 0.1, t = 3."}
    write_json(tmp_path / "results/effects.json", {"findings": [finding]})
    say_closing(tmp_path, RunResult("run", "idle", []))
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith(
        "Up to date: nothing to run. Found: - The index rose. n = 3 + 3 plants. - "
    )
    assert said.index("The index rose.") < said.index("NDVI rose by 0.1")


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
