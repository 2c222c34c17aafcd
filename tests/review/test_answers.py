"""What the review answers: who is let in, what is shown when, what is written."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pytest

from leafledger.errors import InputFault, LeafledgerError, Problem
from leafledger.report.numbers import format_p
from leafledger.review import groups, review_session
from leafledger.review import review_session as session_module
from leafledger.review.groups import blinding_of
from leafledger.review.review_session import (
    AFTER_EFFECTS,
    Guard,
    ReviewSession,
    open_server,
    parse_request,
)
from leafledger.runner.run import RunResult
from leafledger.study.table_files import read_spectra, write_spectra

from . import invented_study

HOST = "127.0.0.1:8123"


def body(
    scan: str = invented_study.OUTLIER, action: str = "exclude", seen=None, by: str = "A. Grower"
):
    entry = {"scan": scan, "action": action, "reason": "clip slipped", "seen": seen}
    return {"by": by, "decisions": [entry]}


# --- who is let in ----------------------------------------------------------------------------


def test_the_address_gives_a_cookie_that_scripts_and_other_sites_cannot_use(
    stranger, guard: Guard
) -> None:
    answer = stranger.get(f"/?token={guard.token}", headers={"Host": HOST})
    assert answer.status_code == 303
    assert answer.headers["Location"] == "/"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert guard.token not in cookie


@pytest.mark.parametrize(
    ("headers", "why"),
    [
        ({"Host": "evil.example"}, "name asked for"),
        ({"Host": "evil.example:8123"}, "name asked for"),
        ({"Host": HOST, "Origin": "http://evil.example"}, "another site"),
        ({"Host": HOST, "Origin": "null"}, "another site"),
        ({"Host": HOST, "Origin": "http://127.0.0.1:9999"}, "another site"),
        ({"Host": HOST, "Sec-Fetch-Site": "cross-site"}, "another page"),
        ({"Host": HOST, "Sec-Fetch-Site": "same-site"}, "another page"),
    ],
    ids=str,
)
def test_another_site_is_refused_even_with_cookie_and_token(
    client, guard: Guard, study: Path, headers: dict[str, str], why: str
) -> None:
    for path in (f"/?token={guard.token}", "/api/study"):
        assert client.get(path, headers=headers).status_code == 403
    answer = client.post("/api/decisions", json=body(), headers=headers)
    assert answer.status_code == 403
    assert why in answer.get_data(as_text=True)
    assert not (study / "decisions.csv").exists()


def test_a_form_is_refused(client, study: Path) -> None:
    given = json.dumps(body())
    for kind in ("application/x-www-form-urlencoded", "text/plain", "multipart/form-data", ""):
        answer = client.post("/api/decisions", data=given, content_type=kind)
        assert answer.status_code == 403, kind
    assert not (study / "decisions.csv").exists()


@pytest.mark.parametrize("token", ["", "x", "é"])
def test_without_the_token_nothing_is_shown_or_written(stranger, study: Path, token: str) -> None:
    for path in ("/", "/api/study", "/static/review.js", "/nothing"):
        answer = stranger.get(path, query_string={"token": token}, headers={"Host": HOST})
        assert answer.status_code == 403, path
    answer = stranger.post("/api/decisions", json=body(), headers={"Host": HOST})
    assert answer.status_code == 403
    assert not (study / "decisions.csv").exists()


def test_the_token_opens_the_page_only(stranger, guard: Guard, study: Path) -> None:
    head = {"Host": HOST}
    assert stranger.get(f"/api/study?token={guard.token}", headers=head).status_code == 403
    answer = stranger.post(f"/api/decisions?token={guard.token}", json=body(), headers=head)
    assert answer.status_code == 403
    assert not (study / "decisions.csv").exists()


def test_the_page_runs_its_own_script_only_and_tells_nobody_its_address(client) -> None:
    answer = client.get("/")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "unsafe" not in policy
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["Cache-Control"] == "no-store"
    page = answer.get_data(as_text=True)
    assert "<script>" not in page
    assert "style=" not in page
    assert "://" not in page.replace("http://www.w3.org/2000/svg", "")
    for path in ("/static/review.js", "/static/review.css", "/shared/mark.svg"):
        assert client.get(path).status_code == 200


# --- what is shown while deciding ---------------------------------------------------------------


def every_answer(client) -> dict[str, str]:
    told = {"/": client.get("/").get_data(as_text=True)}
    told["/api/study"] = client.get("/api/study").get_data(as_text=True)
    overview = json.loads(told["/api/study"])
    paths = [f"/api/leaves/{g['session']}/{g['name']}" for g in overview["groups"]]
    paths += [f"/api/references/{g['session']}/{g['name']}" for g in overview["references"]]
    for path in paths:
        answer = client.get(path)
        assert answer.status_code == 200, path
        told[path] = answer.get_data(as_text=True)
    return told


def test_no_treatment_and_no_effect_is_told_while_deciding(client) -> None:
    told = every_answer(client)
    assert len(told) == 2 + 6 + 4
    for path, text in told.items():
        for word in (*invented_study.LABELS, "NDVI", "estimate", "p_holm", "verdict"):
            assert word.lower() not in text.lower(), (path, word)
    shown = json.loads(told["/api/leaves/day0/p2"])["scans"][0]
    assert shown["file"] == "(file name not shown: it names a treatment)"
    assert shown["note"] == "(note not shown: it names a treatment)"


def test_groups_come_by_session_and_unit_whatever_their_treatment(client) -> None:
    groups = client.get("/api/study").json["groups"]
    assert [(g["session"], g["name"]) for g in groups] == [
        (session, unit) for session in invented_study.SESSIONS for unit in ("p1", "p2", "p10")
    ]
    assert [g["flagged"] for g in groups if g["flagged"]] == [[invented_study.OUTLIER]]


def test_names_of_units_that_tell_a_treatment_are_warned_of(study: Path) -> None:
    for name, old, new in (("units.csv", "p10,", "w"), ("scans.csv", ",p10,", ",w")):
        path = study / name
        path.write_text(path.read_text().replace(old, f"{new}ater10,"))
    named, stale = ReviewSession(study).overview()["notices"]
    assert "not blind" in named
    assert "run the study first" in stale


def test_a_number_for_a_treatment_is_not_taken_for_that_of_a_leaf(study: Path) -> None:
    path = study / "units.csv"
    path.write_text(path.read_text().replace("water", "1").replace("chelate", "sp"))
    (study / "study.yaml").write_text(
        (study / "study.yaml").read_text().replace("control: water", "control: '1'")
    )
    assert blinding_of(ReviewSession(study).study).labels == {"sp"}


def test_the_suggested_outlier_is_marked_with_its_reason(client) -> None:
    view = client.get("/api/leaves/day12/p2").json
    suggested = [s for s in view["scans"] if s["suggested"]]
    assert [s["scan"] for s in suggested] == [invented_study.OUTLIER]
    assert suggested[0]["said"][0]["sentence"] == invented_study.SENTENCE
    assert suggested[0]["note"] == invented_study.HOSTILE
    assert view["range"] == [430.0, 980.0]
    departure = {s["scan"]: max(abs(y) for _, y in s["departure"]) for s in view["scans"]}
    assert max(departure, key=departure.__getitem__) == invented_study.OUTLIER


def test_a_reference_stands_out_from_those_of_its_integration_time(client) -> None:
    view = client.get("/api/references/day0/white").json
    away = {s["scan"]: max(abs(y) for _, y in s["departure"]) for s in view["scans"]}
    assert away.pop("day0-white-2") == pytest.approx(4000, rel=1e-3)
    assert max(away.values()) < 1


def test_references_come_first_with_their_flags_and_no_decision(client, study: Path) -> None:
    groups = client.get("/api/study").json["references"]
    assert [(g["session"], g["name"]) for g in groups] == [
        (session, role) for session in invented_study.SESSIONS for role in ("dark", "white")
    ]
    view = client.get("/api/references/day0/white").json
    assert [s["scan"] for s in view["scans"] if s["suggested"]] == ["day0-white-2"]
    answer = client.post("/api/decisions", json=body("day0-white-2"))
    assert answer.status_code == 422
    assert "scan sheet" in answer.json["problems"][0]["mend"]
    assert not (study / "decisions.csv").exists()


def test_what_is_not_there_is_not_found(client) -> None:
    assert client.get("/api/leaves/day0/p99").status_code == 404
    assert client.get("/api/references/day0/lamp").status_code == 404
    assert client.get("/static/../review_session.py").status_code == 404


# --- what is written ----------------------------------------------------------------------------


def test_a_decision_lands_in_the_file_and_is_told_to_the_next(client, study: Path) -> None:
    answer = client.post("/api/decisions", json=body(), headers={"Origin": f"http://{HOST}"})
    assert answer.status_code == 200
    (row,) = (study / "decisions.csv").read_text().splitlines()[1:]
    assert row.startswith(f"{invented_study.OUTLIER},exclude,clip slipped,A. Grower,20")
    view = client.get("/api/leaves/day12/p2").json
    (decided,) = [s["decision"] for s in view["scans"] if s["decision"]]
    assert decided == answer.json["written"][0]
    undone = client.post("/api/undo", json={"save": answer.json["save"]})
    assert undone.json == {"taken_back": 1}
    assert (study / "decisions.csv").read_text() == "scan,action,reason,by,when,scan_sha256\n"
    assert client.post("/api/undo", json={"save": answer.json["save"]}).status_code == 422


def test_a_decision_on_a_scan_that_changed_since_asks_to_look_again(client, study: Path) -> None:
    (looked_at,) = [
        s
        for s in client.get("/api/leaves/day12/p2").json["scans"]
        if s["scan"] == invented_study.OUTLIER
    ]
    given = body()
    given["decisions"][0]["scan_sha256"] = looked_at["scan_sha256"]
    assert client.post("/api/decisions", json=given).status_code == 200
    (row,) = (study / "decisions.csv").read_text().splitlines()[1:]
    assert row.endswith(f",{looked_at['scan_sha256']}")

    def told() -> tuple[list[str], list[str]]:
        overview = client.get("/api/study").json["groups"]
        (group,) = [g for g in overview if (g["session"], g["name"]) == ("day12", "p2")]
        view = client.get("/api/leaves/day12/p2").json
        return group["changed"], [s["scan"] for s in view["scans"] if s["changed"]]

    assert told() == ([], [])
    path = study / "results/scans/day12.parquet"
    table = read_spectra(path, ("counts",))
    counts = table.spectra["counts"]
    counts[list(table.rows["scan"]).index(invented_study.OUTLIER), 7] += 1
    names = pa.table({"scan": list(table.rows["scan"])})
    write_spectra(path, names, table.wavelength_nm, {"counts": counts}, {})
    assert told() == ([invented_study.OUTLIER], [invented_study.OUTLIER])


def test_two_reviews_of_one_study_keep_both_decisions(study: Path) -> None:
    one, other = ReviewSession(study), ReviewSession(study)
    one.save(*parse_request(body("day0-p1-1", by="A")))
    told = other.save(*parse_request(body("day0-p1-2", by="B")))
    assert not told["conflicts"]
    text = (study / "decisions.csv").read_text()
    assert "day0-p1-1,exclude,clip slipped,A," in text
    assert "day0-p1-2,exclude,clip slipped,B," in text
    told = other.save(*parse_request(body("day0-p1-1", "keep", by="B")))
    (conflict,) = told["conflicts"]
    assert conflict["standing"]["by"] == "A"
    assert (study / "decisions.csv").read_text() == text


@pytest.mark.parametrize(
    "given",
    [
        {},
        [],
        {"by": "A", "decisions": []},
        {"by": "A", "decisions": ["x"]},
        {"by": "A", "decisions": [{"scan": 1, "action": "keep", "reason": "r"}]},
        {"by": 3, "decisions": [{}]},
        {"by": "A", "decisions": [{**body()["decisions"][0], "scan_sha256": "short"}]},
        {"by": "A", "decisions": [{**body()["decisions"][0], "scan_sha256": 7}]},
        {"by": "", "decisions": body()["decisions"]},
        {"by": "A", "decisions": [{**body()["decisions"][0], "reason": ""}]},
    ],
    ids=str,
)
def test_what_is_not_a_decision_is_refused_in_words(client, study: Path, given) -> None:
    answer = client.post("/api/decisions", json=given)
    assert answer.status_code == (422 if isinstance(given, dict) else 400)
    assert all({"found", "expected", "mend"} <= set(p) for p in answer.json["problems"])
    assert not (study / "decisions.csv").exists()


# --- after saving -------------------------------------------------------------------------------


def test_the_effect_is_hidden_until_decisions_are_saved_and_run(
    client, monkeypatch: pytest.MonkeyPatch
) -> None:
    planned = [{"task": "acceptance", "rule": "acceptance", "why": "new", "certain": True}]
    monkeypatch.setattr(session_module, "outdated_tasks", lambda _folder: planned)
    assert client.post("/api/effects", json={}).status_code == 422
    client.post("/api/decisions", json=body())
    older = client.post("/api/effects", json={})
    assert older.status_code == 422
    assert "older" in older.json["problems"][0]["found"]
    planned.clear()
    shown = client.post("/api/effects", json={})
    (contrast,) = shown.json["contrasts"]
    assert (contrast["with"]["estimate"], contrast["without"]["estimate"]) == (0.16, 0.11)
    assert [row["verdict"] for row in shown.json["primary"]] == ["significant"]
    assert [row["scan"] for row in shown.json["excluded"]] == []


def test_a_decision_taken_after_the_effect_was_seen_says_so(
    client, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_module, "outdated_tasks", lambda _folder: [])
    first = client.post("/api/decisions", json=body()).json
    assert client.post("/api/effects", json={}).status_code == 200
    assert client.get("/api/study").json["effects_seen"] is True
    client.post("/api/decisions", json=body("day0-p1-1"))
    assert f"clip slipped{AFTER_EFFECTS}" in (study / "decisions.csv").read_text()
    assert client.post("/api/undo", json={"save": first["save"]}).status_code == 422


def test_it_listens_on_this_machine_only_and_a_taken_port_is_told(sitting: ReviewSession) -> None:
    server, guard = open_server(sitting, 0)
    try:
        assert server.server_address[0] == "127.0.0.1"
        assert guard.address.startswith(f"http://127.0.0.1:{server.port}/?token=")
        with pytest.raises(InputFault, match="free port"):
            open_server(sitting, guard.port)
    finally:
        server.server_close()


def test_a_study_that_was_not_run_has_nothing_to_review(study: Path) -> None:
    (study / "results/quality/day0.parquet").unlink()
    with pytest.raises(InputFault, match="leafledger run"):
        ReviewSession(study)


def test_a_fault_that_appears_while_reviewing_is_told(client, study: Path) -> None:
    (study / "decisions.csv").write_text("scan,action,reason,by,when\nnobody,exclude,r,A,\n")
    answer = client.get("/api/study")
    assert answer.status_code == 422
    assert answer.json["problems"][0]["row"] == 2
    (study / "decisions.csv").unlink()
    (study / "results/reflectance/day0.parquet").unlink()
    assert client.get("/api/leaves/day0/p1").status_code == 503


# --- parts --------------------------------------------------------------------------------------


def test_where_units_are_not_known_every_leaf_scan_stands_alone(study: Path) -> None:
    opened = ReviewSession(study).study
    design = opened.definition.design.model_copy(update={"unit": None})
    definition = opened.definition.model_copy(update={"design": design})
    found = groups.leaf_groups(replace(opened, definition=definition))
    assert all(len(scans) == 1 and scans[0].scan == unit for (_, unit), scans in found.items())
    assert len(found) == 18


def test_many_references_are_thinned_and_no_flagged_one_is_lost(client, monkeypatch) -> None:
    monkeypatch.setattr(groups, "MOST_REFERENCES", 2)
    view = client.get("/api/references/day0/white").json
    drawn = [s["scan"] for s in view["scans"] if s["line"]]
    assert "day0-white-2" in drawn
    assert len(drawn) == 2
    assert view["n_not_drawn"] == 2


@pytest.mark.parametrize(
    ("result", "state", "words"),
    [
        (RunResult("r", "done"), "done", ""),
        (RunResult(None, "idle"), "done", ""),
        (RunResult("r", "failed", message="effects failed"), "failed", "effects failed"),
        (InputFault(Problem("study.yaml", "a", "b", "c")), "input_fault", ""),
        (LeafledgerError("out of luck"), "failed", "out of luck"),
    ],
    ids=lambda value: str(value)[:20],
)
def test_how_a_rerun_ends_is_told(study: Path, monkeypatch, result, state: str, words: str) -> None:
    begun = threading.Event()

    def run(_folder, _cores, listen):
        listen({"planned": ["acceptance", "effects"], "run": "r"})
        listen({"task": "acceptance", "state": "started"})
        listen({"task": "acceptance", "state": "done", "seconds": 0.1})
        begun.wait(20)
        if isinstance(result, Exception):
            raise result
        return result

    monkeypatch.setattr(review_session, "run_study", run)
    one = review_session.Rerun(study, 1)
    assert one.progress() == {"state": "idle", "ended": []}
    assert one.start()
    assert not one.start()
    begun.set()
    for _ in range(200):
        if one.progress()["state"] != "running":
            break
        threading.Event().wait(0.05)
    told = one.progress()
    assert (told["state"], told.get("message", "")) == (state, words)
    assert told["ended"] == [{"task": "acceptance", "outcome": "done"}]
    assert bool(told.get("problems")) == (state == "input_fault")


def test_the_result_is_shown_in_the_words_of_the_report(
    client, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_module, "outdated_tasks", lambda _folder: [])
    client.post("/api/decisions", json=body())
    path = study / "results" / "effects.csv"
    path.write_text(path.read_text().replace("hedges_g", "hedges_g_independent"))
    shown = client.post("/api/effects", json={}).json
    rows = [*shown["primary"], *(c["with"] for c in shown["contrasts"])]
    assert [row["size_words"] for row in shown["primary"]] == ["Hedges g"]
    for row in rows:
        assert "@" not in row["contrast_words"] and "_" not in row["method_words"]
        assert row["p_words"] == format_p(row["p"])
    script = (Path(session_module.__file__).parent / "static" / "after.js").read_text()
    assert "r.contrast}" not in script and "number(r.p" not in script
