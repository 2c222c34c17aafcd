"""Traits in a whole study: nothing changes without them, and with them all registries know."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.records.digests import FileDigests
from leafledger.runner.outdated import would_run
from leafledger.runner.run import run_study
from leafledger.runner.study_check import checked_study, sheet_warnings
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.study import Task, inputs, tasks

TRAITS, EFFECTS = Task("traits"), Task("trait_effects")


def assays(folder: Path, quantity: str = "chlorophyll") -> str:
    units = sorted({s.unit for s in read_study(folder).samples()})
    rows = (f"{u},day12,1,{quantity},{18 + 2 * i},ug/cm2,0.6\n" for i, u in enumerate(units))
    return "unit,session,leaf,quantity,value,unit_of_value,u\n" + "".join(rows)


def ask(folder: Path, text: str, responses: str = "") -> None:
    path = folder / "study.yaml"
    given = path.read_text()
    if responses:
        given = given.replace("effects:\n", f"effects:\n  responses: {responses}\n", 1)
    path.write_text(given + text)


def test_without_the_section_there_is_no_task(small_study: Path) -> None:
    (small_study / "assays.csv").write_text(assays(small_study))
    assert not {TRAITS, EFFECTS} & {*tasks(checked_study(small_study))}


def test_the_section_makes_the_task_and_responses_another(small_study: Path) -> None:
    (small_study / "assays.csv").write_text(assays(small_study))
    ask(small_study, "traits: {targets: [chlorophyll]}\n")
    study = checked_study(small_study)
    assert TRAITS in tasks(study) and EFFECTS not in tasks(study)
    assert inputs(study, TRAITS)["pigment_contents"] == "results/pigments/contents.csv"
    assert set(settings_of(study, "traits", None)) == {"traits", "design", "columns"}
    ask(small_study, "", "[chlorophyll]")
    study = checked_study(small_study)
    assert EFFECTS in tasks(study)
    assert settings_of(study, "trait_effects", None)["responses"] == ["chlorophyll"]
    assert "responses" not in settings_of(study, "effects", None)["effects"]


def test_a_column_needs_no_assays(small_study: Path) -> None:
    scans = (small_study / "scans.csv").read_text().splitlines()
    lines = [f"{scans[0]},SPAD", *(f"{line},{30 + i % 9}" for i, line in enumerate(scans[1:]))]
    (small_study / "scans.csv").write_text("\n".join(lines) + "\n")
    ask(small_study, "traits: {targets: [SPAD]}\n")
    study = checked_study(small_study)
    assert TRAITS in tasks(study) and "pigment_contents" not in inputs(study, TRAITS)
    assert len(settings_of(study, "traits", None)["columns"]["scans"]["SPAD"]) > 10
    scans_read = read_study(small_study).scans
    leaf = next(i for i, scan in enumerate(scans_read, start=1) if scan.role == "sample")
    lines[leaf] = lines[leaf].rsplit(",", 1)[0] + ",dark green"
    (small_study / "scans.csv").write_text("\n".join(lines) + "\n")
    with pytest.raises(InputFault, match="dark green"):
        checked_study(small_study)


def test_any_column_of_units_may_be_a_target_and_may_have_gaps(small_study: Path) -> None:
    lines = (small_study / "units.csv").read_text().splitlines()
    text = [
        f"{lines[0]},biomass,note",
        *(f"{line},{i or ''},x" for i, line in enumerate(lines[1:])),
    ]
    (small_study / "units.csv").write_text("\n".join(text) + "\n")
    plain = settings_of(read_study(small_study), "effects", None)
    ask(small_study, "traits: {targets: [biomass]}\n")
    study = checked_study(small_study)
    assert TRAITS in tasks(study) and not sheet_warnings(study)
    units = list(study.units)
    assert settings_of(study, "traits", None)["columns"]["units"] == {
        "biomass": {unit: str(i or "") for i, unit in enumerate(units)}
    }
    assert settings_of(study, "effects", None) == plain, "no other step sees the column"
    path = small_study / "study.yaml"
    path.write_text(path.read_text().replace("[biomass]", "[biomas, note]"))
    (small_study / "assays.csv").write_text(assays(small_study))
    with pytest.raises(InputFault) as caught:
        checked_study(small_study)
    assert 'Did you mean "biomass"' in str(caught.value) and "8 cells, such as" in str(caught.value)


def test_targets_that_are_nothing_are_refused_with_the_nearest(small_study: Path) -> None:
    (small_study / "assays.csv").write_text(assays(small_study))
    ask(small_study, "traits: {targets: [chlorophyl]}\n", "[carotenoids]")
    with pytest.raises(InputFault) as caught:
        checked_study(small_study)
    text = str(caught.value)
    for part in ("traits.targets", "chlorophyl", "chlorophyll", "effects.responses", "carotenoids"):
        assert part in text


def test_a_column_without_values_yet_is_a_column(small_study: Path) -> None:
    lines = (small_study / "scans.csv").read_text().splitlines()
    text = "\n".join([f"{lines[0]},SPAD", *(f"{line}," for line in lines[1:])]) + "\n"
    (small_study / "scans.csv").write_text(text)
    ask(small_study, "traits: {targets: [SPAD]}\n")
    study = checked_study(small_study)
    assert settings_of(study, "traits", None)["columns"]["scans"] == {"SPAD": {}}


@pytest.mark.parametrize(
    ("section", "responses", "words"),
    [
        ("{targets: [N, P, N]}", "", ("traits.targets", 'each name once, not "N" twice')),
        ("{targets: [N]}", "[N, N]", ("effects.responses", 'each name once, not "N" twice')),
        ("{targets: []}", "", ("traits", "targets to estimate or a leaf_model")),
    ],
)
def test_doubles_and_a_section_without_a_wish_are_refused(
    small_study: Path, section: str, responses: str, words: tuple[str, ...]
) -> None:
    ask(small_study, f"traits: {section}\n", responses)
    with pytest.raises(InputFault) as caught:
        checked_study(small_study)
    for word in words:
        assert word in str(caught.value)


def test_a_target_without_any_sheet_waits_and_says_so(small_study: Path) -> None:
    ask(small_study, "traits: {targets: [chlorophyll]}\n")
    study = checked_study(small_study)
    assert TRAITS not in tasks(study)
    assert [text for text in sheet_warnings(study) if "until there is an assays.csv" in text]


@pytest.mark.slow
def test_a_study_with_traits_from_check_to_report(small_study_run: Path, tmp_path: Path) -> None:
    study = Path(shutil.copytree(small_study_run, tmp_path / "study"))
    plain = (study / "results/report.html").read_bytes()
    given = (study / "study.yaml").read_text()
    (study / "assays.csv").write_text(assays(study))
    ask(study, "traits: {targets: [chlorophyll], n_permutations: 9}\n", "[chlorophyll]")
    planned = [one.task for one in would_run(read_study(study), FileDigests(study)) if one.certain]
    assert TRAITS in planned and not {Task("effects"), Task("classes")} & {*planned}
    assert run_study(study, cores=2).outcome == "done"
    checked = read_study(study)
    summary = checked.document("traits/traits.json")["targets"][0]
    page = (study / "results/report.html").read_text(encoding="utf-8")
    assert 'id="trait-models"' in page
    assert {"traits/measures.csv", "traits/effects.csv"} <= {*checked.tables()}
    record = json.loads((study / "records/traits.json").read_text())
    roles = {one["role"] for one in record["outputs"]}
    assert ("trait_models/chlorophyll.skops" in roles) == summary["trained"]
    assert would_run(checked, FileDigests(study)) == []
    # Another number of draws makes the models anew, and what does not read them stays.
    path = study / "study.yaml"
    path.write_text(path.read_text().replace("n_permutations: 9", "n_permutations: 0"))
    planned = [one.task for one in would_run(read_study(study), FileDigests(study)) if one.certain]
    assert planned == [TRAITS]
    # Without the section and the sheet the study is as if they had never been there.
    path.write_text(given)
    (study / "assays.csv").unlink()
    assert run_study(study, cores=2).outcome == "done"
    assert (study / "results/report.html").read_bytes() == plain
    assert "traits/measures.csv" not in read_study(study).tables()
