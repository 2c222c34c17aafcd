"""The two rules: a session of spectra in, the index table and the catalogue out."""

import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given

from leafledger.errors import InputFault
from leafledger.indices import catalogue, stage
from leafledger.records.record import Job
from leafledger.spectra.formula import tree_as_json, tree_from_json
from leafledger.study.definition import Indices
from leafledger.study.table_files import read_parquet, write_json, write_spectra
from leafledger.study.tables import INDICES

from . import trees

AXIS = np.arange(400.0, 1001.0)
SCANS = ["d0-p02-1", "d0-p01-1", "d0-p10-1"]


def spectra(n_scans):
    level = 1 + 0.05 * np.arange(n_scans)[:, None]
    edge = 0.05 + 0.42 / (1 + np.exp(-(AXIS - 715) / 12))
    return level * (edge + 0.09 * np.exp(-(((AXIS - 550) / 30) ** 2)))


def catalogue_job(folder, settings):
    below = folder / "results" / "indices"
    written = {role: below / f"{role}.json" for role in ("catalogue", "formulas")}
    written["visible_indices"] = below / "visible.json"
    told = {"indices": Indices.model_validate(settings).model_dump(mode="json")}
    return Job("catalogue", None, told, {}, written, folder)


def job_for(folder, settings, *, scans=SCANS, reflectance=None, told=None, u=True, stop=975.0):
    reflectance = spectra(len(scans)) if reflectance is None else reflectance
    columns = {"reflectance": reflectance}
    if u:
        columns |= {"u_scan": 0.01 * np.ones_like(reflectance)}
        columns |= {"u_noise": 0.002 * np.ones_like(reflectance)}
        columns |= {"u_drift": -0.003 * reflectance, "u_stray": 0.001 * np.ones_like(reflectance)}
    source = folder / "results" / "reflectance" / "day0.parquet"
    rows = pa.table({"scan": pa.array(scans), "reference": pa.array(["w1"] * len(scans))})
    shared = {"shared_sources": ["u_drift", "u_stray"]} if u else {}
    told = {**(told or {"panel_u_relative": 0.005, "u": "known"}), **shared}
    write_spectra(source, rows, AXIS, columns, told)
    limits = folder / "results" / "range.json"
    write_json(limits, {"start_nm": 420.0, "stop_nm": stop, "rule": "stated", "why": ""})
    formulas = folder / "results" / "indices" / "formulas.json"
    catalogue.run(catalogue_job(folder, settings))
    return Job(
        rule="indices",
        session="day0",
        settings={},
        inputs={"reflectance": source, "range": limits, "formulas": formulas},
        outputs={"indices": folder / "results" / "indices" / "day0.parquet"},
        folder=folder,
    )


def result(job):
    outcome = stage.run(job)
    return outcome, read_parquet(job.outputs["indices"])


def test_every_scan_and_index_has_its_row(tmp_path) -> None:
    job = job_for(tmp_path, {"use": ["PRI", "NDVI"]})
    outcome, table = result(job)
    assert tuple(table.columns) == INDICES
    assert table[["scan", "index"]].to_numpy().tolist() == [
        [scan, index] for scan in sorted(SCANS) for index in ("NDVI", "PRI")
    ]
    assert (table["status"] == "ok").all()
    row = table[(table["scan"] == "d0-p10-1") & (table["index"] == "NDVI")].iloc[0]
    red, infrared = (np.float32(spectra(3)[2, w == AXIS][0]) for w in (670, 800))
    expected = (float(infrared) - float(red)) / (float(infrared) + float(red))
    assert row["value"] == pytest.approx(expected, rel=1e-14)
    # By hand: dN/dR800 = 2 R670 / sum^2, dN/dR670 = -2 R800 / sum^2.
    u = 2 * np.hypot(float(red), float(infrared)) / (float(red) + float(infrared)) ** 2
    assert row["u_scan"] == pytest.approx(0.01 * u, rel=1e-3)
    # Noise as above; the drift cancels; 0.001 more of both bands shifts the sum alone.
    level = 0.001 * 2 * (float(infrared) - float(red)) / (float(red) + float(infrared)) ** 2
    assert row["u_reference"] == pytest.approx(np.hypot(0.002 * u, level), rel=1e-3)
    assert row["u_panel"] == pytest.approx(0, abs=1e-15)
    assert {m.name: m.value for m in outcome.metrics} == {
        "n_indices": 2,
        "n_values": 6,
        "n_outside_range": 0,
        "n_undefined": 0,
    }
    assert outcome.warnings == []


def test_the_schema_is_the_contract(tmp_path) -> None:
    job = job_for(tmp_path, {"use": ["NPQI", "NDVI"]})
    stage.run(job)
    schema = pq.read_schema(job.outputs["indices"])
    kinds = [str(schema.field(name).type) for name in INDICES]
    assert kinds == ["string", "string", "double", "double", "double", "double", "string"]
    found = pq.read_table(job.outputs["indices"])
    assert found.column("value").null_count == 3  # NPQI starts at 415 nm, the range at 420


def test_outside_the_trusted_range_is_refused_by_name(tmp_path) -> None:
    settings = {
        "use": ["NDVI", "WI", "NPQI"],
        "formulas": [{"index": "far", "formula": "R(1200) / R(750)"}],
    }
    outcome, table = result(job_for(tmp_path, settings, stop=974.0))
    status = table.groupby("index")["status"].unique().map(list).to_dict()
    assert status == {
        "NDVI": ["ok"],
        "WI": ["outside_range"],
        "NPQI": ["outside_range"],
        "far": ["outside_range"],
    }
    outside = table[table["status"] == "outside_range"]
    assert outside[["value", "u_scan", "u_reference", "u_panel"]].isna().all(axis=None)
    told = " ".join(outcome.warnings)
    assert (
        "WI is not computed: it needs 965-975 nm, outside the trusted range 420 to 974 nm" in told
    )
    assert "far is not computed: it needs 1200 nm" in told
    assert "NPQI is not computed: it needs 415 nm," in told
    assert "NDVI" not in told
    assert {m.name: m.value for m in outcome.metrics}["n_outside_range"] == 9


def test_wi_fits_a_range_that_ends_at_975_nm(tmp_path) -> None:
    _, table = result(job_for(tmp_path, {"use": ["WI"]}))
    assert (table["status"] == "ok").all()


def test_no_wavelength_in_the_range_at_all(tmp_path) -> None:
    job = job_for(tmp_path, {"use": ["NDVI"]}, stop=420.0)
    write_json(job.inputs["range"], {"start_nm": 420.2, "stop_nm": 420.8})
    outcome, table = result(job)
    assert (table["status"] == "outside_range").all()
    assert "no wavelength of this session inside it" in outcome.warnings[0]


def test_undefined_is_told_and_empty(tmp_path) -> None:
    reflectance = spectra(3)
    reflectance[1, AXIS == 550] = 0.0
    outcome, table = result(job_for(tmp_path, {"use": ["ARI1"]}, reflectance=reflectance))
    row = table.set_index("scan").loc["d0-p01-1"]
    assert row["status"] == "undefined"
    assert np.isnan(row["value"])
    assert np.isnan(row["u_panel"])
    assert outcome.warnings == [
        "ARI1 is undefined in 1 of 3 scans (d0-p01-1): a division by zero, or a root, logarithm "
        "or power without a value."
    ]
    assert (table["status"] == "ok").sum() == 2


@pytest.mark.parametrize("told", [{"u": "unknown", "panel_u_relative": 0.0}, {"u": "unknown"}])
def test_unknown_uncertainty_is_missing_and_not_zero(tmp_path, told) -> None:
    _, table = result(job_for(tmp_path, {"use": ["ARI1"]}, told=told))
    assert table["value"].notna().all()
    assert table[["u_scan", "u_reference", "u_panel"]].isna().all(axis=None)


def test_a_stated_panel_counts_even_if_the_rest_is_unknown(tmp_path) -> None:
    told = {"u": "unknown", "panel_u_relative": 0.01}
    _, table = result(job_for(tmp_path, {"use": ["ARI1"]}, told=told, u=False))
    assert table["u_scan"].isna().all()
    assert table["u_panel"].to_numpy() == pytest.approx(0.01 * table["value"].abs().to_numpy())


def test_a_panel_taken_as_exact_beside_known_noise_is_zero(tmp_path) -> None:
    told = {"u": "known", "panel_u_relative": 0.0}
    _, table = result(job_for(tmp_path, {"use": ["ARI1"]}, told=told))
    assert table["u_panel"].to_numpy() == pytest.approx(0, abs=0)
    assert (table["u_scan"] > 0).all()


def test_a_panel_that_varies_with_wavelength(tmp_path) -> None:
    relative = np.where(AXIS < 700, 0.02, 0.01)
    told = {"u": "known", "panel_u_relative": relative.tolist()}
    _, table = result(job_for(tmp_path, {"use": ["SR"]}, told=told))
    # R800 / R670 with relative errors that move together: 2 % less 1 %.
    assert table["u_panel"].to_numpy() == pytest.approx(0.01 * table["value"].to_numpy(), rel=1e-9)


def test_same_inputs_same_bytes_and_order_of_rows_does_not_matter(tmp_path) -> None:
    settings = {"use": "all"}
    first = job_for(tmp_path / "a", settings)
    second = job_for(tmp_path / "b", settings)
    turned = job_for(
        tmp_path / "c", settings, scans=SCANS[::-1], reflectance=spectra(3)[::-1].copy()
    )
    found = []
    for job in (first, second, turned):
        stage.run(job)
        found.append(job.outputs["indices"].read_bytes())
    assert found[0] == found[1] == found[2]


def test_a_session_without_leaves_gives_an_empty_table(tmp_path) -> None:
    job = job_for(tmp_path, {"use": ["NDVI"]}, scans=[], reflectance=np.empty((0, AXIS.size)))
    outcome, table = result(job)
    assert len(table) == 0
    assert tuple(table.columns) == INDICES
    assert outcome.warnings == []


def test_a_coarse_axis_is_told(tmp_path) -> None:
    job = job_for(tmp_path, {"use": ["PRI", "WI"]})
    coarse = np.arange(420.0, 981.0, 20.0)
    rows = pa.table({"scan": pa.array(["a"]), "reference": pa.array(["w1"])})
    write_spectra(
        job.inputs["reflectance"],
        rows,
        coarse,
        {"reflectance": np.full((1, coarse.size), 0.3)},
        {"u": "unknown"},
    )
    write_json(job.inputs["range"], {"start_nm": 420.0, "stop_nm": 980.0})
    outcome, _ = result(job)
    assert outcome.warnings[0].startswith("PRI is read from far neighbours: 531 nm across 20 nm")


def test_a_bad_formula_stops_the_catalogue(tmp_path) -> None:
    job = catalogue_job(tmp_path, {"formulas": [{"index": "mine", "formula": "R(750"}]})
    with pytest.raises(InputFault, match=r"indices\.formulas\.mine"):
        catalogue.run(job)
    assert not any(path.exists() for path in job.outputs.values())


def test_only_what_values_rest_on_stands_in_the_formulas(tmp_path) -> None:
    """Another source or unit makes the catalogue another, not what the values are computed of."""
    own = {"index": "mine", "formula": "R(750)/R(700)", "unit": "x", "source": "ours"}

    def written(**changed):
        job = catalogue_job(tmp_path, {"use": ["WI"], "formulas": [{**own, **changed}]})
        catalogue.run(job)
        return [job.outputs[role].read_bytes() for role in ("catalogue", "formulas")]

    catalogue_text, formulas = written()
    other, same = written(source="theirs", unit="y")
    assert other != catalogue_text and same == formulas
    assert written(formula="R(751)/R(700)")[1] != formulas
    assert written(index="other")[1] != formulas


@given(node=trees.nodes)
def test_a_formula_comes_back_from_json_as_it_was(node) -> None:
    assert tree_from_json(json.loads(json.dumps(tree_as_json(node)))) == node


def test_what_is_no_formula_is_refused() -> None:
    with pytest.raises(ValueError, match="'exec' is no part of a formula"):
        tree_from_json(["sum", ["+", ["exec", "1"]]])


def test_the_catalogue_of_a_study(tmp_path) -> None:
    settings = {
        "use": ["WI", "OSAVI", "CI_green"],
        "formulas": [{"index": "mine", "formula": "R(750)/R(700)", "unit": "x", "source": "ours"}],
    }
    job = catalogue_job(tmp_path, settings)
    out = job.outputs["catalogue"]
    outcome = catalogue.run(job)
    visible = json.loads(out.with_name("visible.json").read_text(encoding="utf-8"))["indices"]
    # Light of a room has its lines below 700 nm: WI and OSAVI's infrared do not see them.
    assert visible == [
        {"index": "OSAVI", "formula": "1.16 * (R(800) - R(670)) / (R(800) + R(670) + 0.16)"},
        {"index": "CI_green", "formula": "R(750, 800) / R(520, 585) - 1"},
        {"index": "mine", "formula": "R(750) / R(700)"},
    ]
    told = json.loads(out.read_text(encoding="utf-8"))["indices"]
    assert [entry["index"] for entry in told] == ["WI", "OSAVI", "CI_green", "mine"]
    assert told[0]["formula"] == "R(895, 905) / R(965, 975)"
    assert told[0]["published_formula"] == "R(900) / R(970)"
    assert told[0]["bands_nm"] == [[895, 905], [965, 975]]
    assert told[2]["bands_nm"] == [[520, 585], [750, 800]]
    assert told[3]["source"] == "ours"
    assert told[3]["unit"] == "x"
    assert told[0]["source"] == catalogue.catalogue()["WI"].source
    assert outcome.warnings == [
        "OSAVI: made for a canopy over soil; of doubtful meaning for a leaf in a clip."
    ]
    assert outcome.metrics[0].value == 4
