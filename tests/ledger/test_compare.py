"""Two runs side by side: differences, results, and which can have caused which."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.ledger import book
from leafledger.ledger.compare import (
    Comparison,
    NumberChange,
    compare,
    comparison_lines,
    run_history,
)
from leafledger.records import events
from leafledger.study.reading import read_study
from leafledger.study.study import Study, tasks

from .conftest import enact

Entered = Callable[..., str]


def whole(folder: Path, run: str, said: dict[str, str] | None = None) -> None:
    """Enter a run of all tasks of a study as it is now; some write something else."""
    study = read_study(folder)
    book.open_run(study, run)
    for task in tasks(study):
        enact(study, task, run, content=(said or {}).get(task.name))
    book.close_run(study, run, "done", "")


def names(found: Comparison, task: str) -> list[str]:
    return [found.differences[place].name for place in found.causes[task]]


def test_equal_runs_are_told_equal(study: Study) -> None:
    whole(study.folder, "r1")
    whole(study.folder, "r2")
    found = compare(study.folder, "r1", "r2")
    assert (found.differences, found.results.tasks) == ([], [])
    assert "The results are the same, byte for byte." in list(comparison_lines(found))


def test_a_setting_causes_only_what_is_below_it(
    study: Study, edit: Callable[[Path, str, str], None]
) -> None:
    whole(study.folder, "r1")
    edit(study.folder / "study.yaml", "alpha: 0.05", "alpha: 0.01")
    edit(study.folder / "study.yaml", "seed: 11", "seed: 12")
    edit(study.folder / "study.yaml", "reference_drift: 0.03", "reference_drift: 0.04")
    whole(study.folder, "r2", {"effects": "other", "report": "other"})
    found = compare(study.folder, "r1", "r2")
    told = {d.name: (d.before, d.after, d.tasks) for d in found.differences}
    assert told["effects.alpha"] == ("0.05", "0.01", ["effects"])
    assert told["classes.seed"] == ("11", "12", ["classes", "rivals", "negative_controls"])
    assert set(told["quality.checks.reference_drift"][2]) == {"quality.day0", "quality.day12"}
    assert found.results.tasks == ["effects", "report"]
    assert names(found, "effects") == ["effects.alpha"]
    assert set(names(found, "report")) == set(told), "the report reads every record"
    assert found.without_effect == []
    assert found.unexplained == []


def test_a_difference_whose_outputs_stayed_the_same_causes_nothing_below(
    study: Study, edit: Callable[[Path, str, str], None]
) -> None:
    whole(study.folder, "r1")
    edit(study.folder / "study.yaml", "reference_drift: 0.03", "reference_drift: 0.04")
    whole(study.folder, "r2", {"classes": "other"})
    found = compare(study.folder, "r1", "r2")
    assert found.unexplained == ["classes"]
    assert found.without_effect == [0]
    text = "\n".join(comparison_lines(found))
    assert "Not explained by any recorded setting" in text
    assert "Without effect on any result: setting quality.checks.reference_drift" in text


def test_raw_files_and_sheets_and_decisions_are_told(study: Study) -> None:
    folder = study.folder
    whole(folder, "r1")
    (folder / "raw/day0/p01_1.txt").write_text("other counts\n", encoding="utf-8")
    sheet = (folder / "units.csv").read_text("utf-8").replace("p01,chelate", "p01,water")
    (folder / "units.csv").write_text(sheet, encoding="utf-8")
    row = "d12-p01-1,exclude,torn,B. Grower,2026-05-17T09:00:00\n"
    (folder / "decisions.csv").write_text(f"scan,action,reason,by,when\n{row}", encoding="utf-8")
    whole(folder, "r2", {"intake.day0": "x", "acceptance": "x", "effects": "x"})
    found = compare(folder, "r1", "r2")
    told = {(d.kind, d.name) for d in found.differences}
    assert ("file", "raw/day0/p01_1.txt") in told
    assert ("sheet", "units.csv p01 treatment") in told
    assert ("decision", "d12-p01-1") in told
    assert names(found, "intake.day0") == ["raw/day0/p01_1.txt"]
    assert "units.csv p01 treatment" in names(found, "acceptance")
    assert "  units.csv p01 treatment: chelate -> water" in list(comparison_lines(found))
    assert "raw/day0/p01_1.txt" not in names(found, "acceptance"), "reflectance did not change"
    assert "d12-p01-1" in names(found, "effects")


def test_a_treatment_explains_the_acceptance_by_itself(study: Study) -> None:
    """Acceptance is told the treatments alone, under the name that the column has."""
    folder = study.folder
    text = (folder / "study.yaml").read_text("utf-8")
    text = text.replace("treatment: treatment ", "treatment: spray ")
    text = text.replace("target: treatment", "target: spray")
    (folder / "study.yaml").write_text(text, encoding="utf-8")
    units = (folder / "units.csv").read_text("utf-8").replace("treatment", "spray", 1)
    (folder / "units.csv").write_text(units, encoding="utf-8")
    whole(folder, "r1")
    (folder / "units.csv").write_text(units.replace("p01,chelate", "p01,water"), encoding="utf-8")
    whole(folder, "r2", {"acceptance": "x"})
    found = compare(folder, "r1", "r2")
    assert found.unexplained == []
    assert names(found, "acceptance") == ["units.csv p01 spray"]


UNITS = "unit,session,index,mean,sd_leaves,u,n_leaves,n_scans,n_excluded\n"
EFFECTS = "question,index,contrast,stratum,method,primary,estimate,unit,p,verdict\n"


def test_results_are_told_with_the_size_of_the_change(study: Study) -> None:
    """Through the tables themselves, the earlier ones out of the content store."""
    folder = study.folder
    tables = {
        "r1": (
            UNITS + "p01,day0,PRI,0.5,,,1,1,0\np01,day12,PRI,0.6,,,1,1,0\n",
            EFFECTS + "change,PRI,a,all,paired_t,true,0.1,1,0.04,significant\n"
            "change,WI,a,all,paired_t,false,0.2,1,0.5,not_significant\n",
        ),
        "r2": (
            UNITS + "p01,day0,PRI,0.5,,,1,1,0\np01,day12,PRI,0.8,,,1,1,0\n",
            EFFECTS + "change,PRI,a,all,paired_t,true,0.3,1,0.06,not_significant\n"
            "change,WI,a,all,paired_t,false,0.2,1,0.5,not_significant\n",
        ),
    }
    for run, (units, effects) in tables.items():
        opened = read_study(folder)
        book.open_run(opened, run)
        for task in tasks(opened):
            content = {"unit_means": units, "effects": effects}.get(task.name)
            enact(opened, task, run, content=content)
        book.close_run(opened, run, "done", "")
    found = compare(folder, "r1", "r2").results
    (index,) = found.indices or []
    assert (index.index, index.n_changed, index.n_means, index.where) == ("PRI", 1, 2, "p01 day12")
    assert index.largest == pytest.approx(0.2)
    (effect,) = found.effects or []
    assert effect.primary
    assert effect.change == pytest.approx(0.2)
    assert (effect.verdict_before, effect.verdict_after) == ("significant", "not_significant")
    assert (found.n_effects, found.n_verdicts) == (1, 1)
    shown = list(comparison_lines(compare(folder, "r1", "r2")))
    assert "  1 row of effects moved, 1 with another verdict:" in shown
    shutil.rmtree(folder / "ledger/store")
    told = compare(folder, "r1", "r2").results
    assert (told.indices, told.effects) == (None, None)
    assert any("first run is no longer kept" in text for text in told.gone)


def test_results_are_told_in_the_order_of_the_data_and_counts_whole(study: Study) -> None:
    """A size of three million bytes is no 3e+06."""
    whole(study.folder, "r1")
    whole(study.folder, "r2", {"acceptance": "x", "intake.day0": "x", "effects": EFFECTS})
    found = compare(study.folder, "r1", "r2")
    assert found.results.tasks == ["intake.day0", "acceptance", "effects"]
    found.results.numbers = [NumberChange("report.page_size", 3016680.0, 3015934.0)]
    assert "  report.page_size: 3016680 -> 3015934   (-746)" in list(comparison_lines(found))


def test_effects_that_differ_in_no_number_shown_are_told_so(study: Study) -> None:
    row = "change,PRI,a,all,paired_t,true,0.1,1,0.04,significant"
    head = EFFECTS.strip() + ",reason,effect_size"
    whole(study.folder, "r1", {"effects": f"{head}\n{row},a,1.5\n"})
    for run, more, rest, moved in (
        ("r2", "", "b,1.5", "reason"),
        ("r3", "", "b,1.6", "reason, effect_size"),
        ("r4", ",another", "a,1.5,2", "another"),
    ):
        whole(study.folder, run, {"effects": f"{head}{more}\n{row},{rest}\n"})
        told = f"  no estimate, p or verdict of the effects moved, but {moved} did"
        assert told in list(comparison_lines(compare(study.folder, "r1", run)))


def test_a_run_is_named_by_its_beginning(study: Study) -> None:
    for run in ("a1", "a2", "b1"):
        whole(study.folder, run)
    assert compare(study.folder, "b", "latest").before == "b1"
    for odd in ("a", "x"):
        with pytest.raises(InputFault, match="runs that begin with"):
            compare(study.folder, odd, "b1")


def test_the_runs_in_time_say_what_changed_and_what_was_found(
    study: Study, edit: Callable[[Path, str, str], None]
) -> None:
    whole(study.folder, "r1")
    edit(study.folder / "study.yaml", "alpha: 0.05", "alpha: 0.01")
    whole(study.folder, "r2")
    first, second = run_history(study.folder)
    assert first["changed"] == []
    assert second["changed"] == ["effects.alpha: 0.05 -> 0.01"]


def test_a_killed_run_that_did_nothing_has_changed_no_kernel(
    study: Study, whole_run: Entered
) -> None:
    """Of a run that computed nothing no kernel is known, so that none can have changed."""
    whole_run("r1")
    for path in (study.folder / events.EVENTS / "r1").glob("*.json"):
        event = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps(event | {"kernel": "SkylakeX"}), "utf-8")
    book.open_run(study, "r2")
    book.close_interrupted(study.folder)
    found = run_history(study.folder)
    assert [(run["run"], run["outcome"]) for run in found] == [("r1", "done"), ("r2", "killed")]
    assert found[1]["changed"] == []
    assert [
        d.name for d in compare(study.folder, "r1", "r2").differences if d.kind == "machine"
    ] == []
    whole_run("r3", said="anew")
    for path in (study.folder / events.EVENTS / "r3").glob("*.json"):
        event = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps(event | {"kernel": "Haswell"}), "utf-8")
    told = [d.sentence() for d in compare(study.folder, "r1", "r3").differences]
    assert "machine linear algebra kernel: SkylakeX -> Haswell" in told
