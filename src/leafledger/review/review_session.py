"""What may a reviewer see and do in one sitting, and what is sent to the page and answered?

Effects stay hidden until decisions are saved; what is decided after they were shown says so.

A camera writes where and when a picture was taken, its own serial number and often a second, larger
picture into the file. None of it reaches the page: the pixels are decoded, turned upright, made
small and encoded anew, and the raw file itself is never sent.
"""

from __future__ import annotations

import datetime as dt
import io
import math
import secrets
import threading
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from werkzeug.serving import BaseWSGIServer

from leafledger.errors import InputFault, LeafledgerError, Problem, input_fault
from leafledger.local_page import (
    Guard,
    add_errors,
    add_guard,
    announce,
    open_port,
    problem_answer,
)
from leafledger.records.digests import FileDigests
from leafledger.report.gather import contrast_in_words, contrast_words
from leafledger.report.numbers import format_p, method_words, size_words, verdict_words
from leafledger.review import groups
from leafledger.review.groups import Blind, blinding_of, exclusion_rows
from leafledger.runner.outdated import plan
from leafledger.runner.run import RunResult, run_study
from leafledger.runner.study_check import checked_study
from leafledger.study import sheet_changes
from leafledger.study.reading import read_study
from leafledger.study.rules import rests_on
from leafledger.study.scan_sheet import DECISIONS_FILE, Scan, standing
from leafledger.study.sheet_changes import DecisionRequest
from leafledger.study.sheets import PICTURE_WORDS, PathCheck
from leafledger.study.study import Study, Task, outputs
from leafledger.study.table_files import read_csv, refuse_links

if TYPE_CHECKING:
    from flask import Flask


# The photograph beside a scan
# ----------------------------------------------------------------------

LARGEST_SIDE: Final = 640
"""Pixels of the longer side, as shown."""
MOST_PIXELS: Final = 120_000_000
"""Pixels of a picture that is decoded at all; a phone of today takes 12 to 200 million."""
FORMATS: Final = ("JPEG", "PNG", "WEBP")
MEDIA_TYPE: Final = "image/jpeg"
_QUALITY: Final = 82


@dataclass(frozen=True)
class Photos:
    """The photographs of a study by scan.

    Attributes
    ----------
    folder
        The study folder.
    paths
        Scan -> path of its picture below the folder.
    """

    folder: Path
    paths: Mapping[str, str] = field(default_factory=dict)

    def small(self, scan: str) -> bytes | None:
        """Return the picture of a scan as a small JPEG; ``None`` if it has none.

        Raises
        ------
        InputFault
            If the file is gone, lies outside the study, or holds no picture that can be decoded.
        """
        name = self.paths.get(scan)
        if name is None:
            return None
        why = PathCheck(self.folder).why_no_picture(name)
        if why:
            raise _fault(name, why)
        path = self.folder / name
        stat = path.stat()
        return _small(path, name, stat.st_mtime_ns, stat.st_size)


def photos_of(study: Study) -> Photos:
    """Return the photographs that the scan sheet names."""
    return Photos(study.folder, {scan.scan: scan.photo for scan in study.scans if scan.photo})


@lru_cache(maxsize=64)
def _small(path: Path, name: str, _changed: int, _size: int) -> bytes:
    return small_picture(path.read_bytes(), name)


def small_picture(data: bytes, name: str) -> bytes:
    """Return a picture upright, small and with nothing but its pixels, as JPEG.

    Parameters
    ----------
    data
        The file: JPEG, PNG or WebP.
    name
        Its path, for messages.

    Raises
    ------
    InputFault
        If it is none of these, is damaged, or has more than 120 million pixels.
    """
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            # Its own bound is a warning; ours, below, is held before a pixel is decoded.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(data), formats=FORMATS)
        n_pixels = picture.width * picture.height
        if n_pixels > MOST_PIXELS:
            raise _fault(name, f"a picture of {n_pixels / 1e6:.0f} million pixels")
        picture.draft("RGB", (2 * LARGEST_SIDE, 2 * LARGEST_SIDE))  # JPEG is decoded small at once
        # 1. Upright, as the camera says; 2. small; 3. pixels only, on white where transparent.
        upright: Image.Image = picture
        picture.load()
        with suppress(Exception):  # metadata that cannot be read say nothing of sound pixels
            upright = ImageOps.exif_transpose(picture)
        upright.thumbnail((LARGEST_SIDE, LARGEST_SIDE))
        coloured = upright.convert("RGBA")
        plain = Image.new("RGB", coloured.size, "white")
        plain.paste(coloured, mask=coloured.getchannel("A"))
        out = io.BytesIO()
        plain.save(out, "JPEG", quality=_QUALITY)
    except InputFault:
        raise
    except Image.DecompressionBombError as error:
        raise _fault(
            name, f"a picture of more than {MOST_PIXELS / 1e6:.0f} million pixels"
        ) from error
    except Exception as error:
        # A damaged picture makes the decoders raise nearly anything, from SyntaxError to struct's.
        raise _fault(
            name, "a picture that cannot be decoded: damaged, or of another form"
        ) from error
    return out.getvalue()


def _fault(name: str, found: str) -> InputFault:
    return input_fault(
        name,
        found,
        f"a picture ({PICTURE_WORDS}) of at most {MOST_PIXELS / 1e6:.0f} million pixels",
        "Save it again as JPEG, or take it out of column photo.",
    )


# The rerun that a save calls for
# ----------------------------------------------------------------------

_SHOWN = frozenset({"intake", "reflectance", "quality"})
_BEFORE_EFFECTS = rests_on("effects") | {"effects"}


def outdated_tasks(folder: Path) -> list[dict[str, Any]]:
    """Return the tasks that a run would do now, in the order of the data.

    Raises
    ------
    InputFault
        If the study cannot run at all.
    """
    study = checked_study(folder)
    return [
        {"task": p.task.name, "rule": p.task.rule, "why": p.why, "certain": p.certain}
        for p in plan(study, FileDigests(study.folder))
    ]


def effects_are_older(planned: list[dict[str, Any]]) -> bool:
    """Tell whether effects would change, or may, if the study ran now."""
    return any(p["rule"] in _BEFORE_EFFECTS for p in planned)


def spectra_are_older(planned: list[dict[str, Any]]) -> bool:
    """Tell whether what the review shows would be measured or checked anew."""
    return any(p["rule"] in _SHOWN and p["certain"] for p in planned)


class Rerun:
    """Runs the study beside the page and tells how far it has come.

    Parameters
    ----------
    folder, cores
        Of the study; how many tasks may run side by side.
    """

    def __init__(self, folder: Path, cores: int) -> None:
        self._folder = folder
        self._cores = cores
        self._lock = threading.Lock()
        self._state: dict[str, Any] = {"state": "idle"}

    def start(self) -> bool:
        """Start a run; ``False`` if one is at work."""
        with self._lock:
            if self._state["state"] == "running":
                return False
            self._state = {"state": "running", "planned": 0, "ended": [], "now": "", "message": ""}
        # A daemon: ending the review ends the run too, and the next run goes on from there.
        threading.Thread(target=self._run, name="rerun", daemon=True).start()
        return True

    def progress(self) -> dict[str, Any]:
        """Return how far the run has come."""
        with self._lock:
            return {**self._state, "ended": list(self._state.get("ended", ()))}

    def _run(self) -> None:
        try:
            self._end(run_study(self._folder, self._cores, self._listen))
        except InputFault as fault:
            self._set(state="input_fault", problems=[p.as_dict() for p in fault.problems])
        except (LeafledgerError, OSError, MemoryError) as error:
            self._set(state="failed", message=str(error) or "not enough memory")
        finally:
            if self.progress()["state"] == "running":
                self._set(state="failed", message="the run broke off; the terminal says more")

    def _end(self, result: RunResult) -> None:
        self._set(
            state="done" if result.exit_code == 0 else result.outcome,
            message=result.message,
            problems=[p.as_dict() for p in result.problems],
            notes=result.notes,
        )

    def _set(self, **what: Any) -> None:
        with self._lock:
            self._state = {**self._state, **what}

    def _listen(self, line: dict[str, Any]) -> None:
        with self._lock:
            if "planned" in line:
                self._state["planned"] = len(line["planned"])
            elif line.get("state") == "started":
                self._state["now"] = line["task"]
            elif "state" in line:
                self._state["ended"].append({"task": line["task"], "outcome": line["state"]})


# The primary result with and without the exclusions, shown after saving
# ----------------------------------------------------------------------

AS_PLANNED = "as_planned"
EVERY_SCAN = "every_scan"
_KEY = ("question", "index", "contrast", "method")


def with_and_without(study: Study) -> dict[str, Any]:
    """Return what was left out and the primary contrasts with the exclusions and without them.

    Every row has its words besides: of the contrast, method, effect size and p, as the report
    writes them.

    Parameters
    ----------
    study
        A study whose results are up to date.

    Returns
    -------
    dict
        ``excluded``: rows of exclusions.csv that keep a scan out or were decided; ``contrasts``:
        each with its rows ``with`` and ``without`` of sensitivity.csv; ``primary``: the primary
        rows of effects.csv.
    """
    folder, paths = study.folder, outputs(Task("effects"))
    levels = sorted(
        {row.get(study.definition.design.treatment, "") for row in study.units.values()}
    )
    words = contrast_words([s.session for s in study.sessions], levels, ["before", "mean_before"])
    rows = _rows(folder / paths["sensitivity"], words)
    planned = [row for row in rows if row["variant"] == AS_PLANNED]
    every = {_key(row): row for row in rows if row["variant"] == EVERY_SCAN}
    return {
        "excluded": [
            row
            for row in exclusion_rows(folder)
            if row["applied"] == "exclude" or row["rule"] == "decision"
        ],
        "contrasts": [{"with": row, "without": every.get(_key(row))} for row in planned],
        "primary": [row for row in _rows(folder / paths["effects"], words) if row["primary"]],
    }


def _key(row: dict[str, Any]) -> tuple[str, ...]:
    return tuple(str(row[name]) for name in _KEY)


def _rows(path: Path, words: Mapping[str, str]) -> list[dict[str, Any]]:
    table = read_csv(path)
    rows = []
    for row in table.to_dict("records"):
        plain = {str(name): None if _is_odd(value) else value for name, value in row.items()}
        rows.append({**plain, **_in_words(plain, words)})
    return rows


def _is_odd(value: Any) -> bool:
    return isinstance(value, float) and not math.isfinite(value)


def _in_words(row: Mapping[str, Any], words: Mapping[str, str]) -> dict[str, str]:
    phrases = {
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "method_words": method_words(str(row["method"])),
        "verdict_words": verdict_words(str(row["verdict"])),
        "p_words": format_p(row["p"]),
        "p_holm_words": format_p(row["p_holm"]),
    }
    if row.get("effect_size_name"):
        phrases["size_words"] = size_words(str(row["effect_size_name"]))
    return phrases


# The sitting
# ----------------------------------------------------------------------

AFTER_EFFECTS = " (decided after the effect was seen)"


class ReviewSession:
    """What the page asks for and what it may do.

    Parameters
    ----------
    folder
        The study folder.
    reviewer
        Name to begin with.
    cores
        How many tasks a rerun may do side by side.

    Raises
    ------
    InputFault
        If the study has problems or has not been run.
    """

    def __init__(self, folder: Path, reviewer: str = "", cores: int = 1) -> None:
        self.folder = folder.resolve()
        self.reviewer = reviewer
        self.rerun = Rerun(self.folder, cores)
        self.effects_seen = False
        self._lock = threading.Lock()
        self._saves: dict[str, tuple[bytes, ...]] = {}
        self._has_saved = False
        self.study = self._open()

    def _open(self) -> Study:
        refuse_links(self.folder)
        study = read_study(self.folder)
        groups.require_results(study)
        return study

    def overview(self) -> dict[str, Any]:
        """Return the study as it is now: its groups in order, and what stands to be known."""
        self.study = study = self._open()
        facts = self._facts(study, _decided_with_digest(study))
        title = study.definition.title or study.folder.name
        leaves, references = groups.leaf_groups(study), groups.reference_groups(study)
        return {
            "title": "" if facts.blind.tells(title) else title,
            "unit": study.definition.design.unit or "leaf",
            "reviewer": self.reviewer,
            "effects_seen": self.effects_seen,
            "can_show_effects": self._has_saved,
            "notices": [*_naming_notices(study, facts.blind), *self._stale()],
            "references": [groups.group_summary(k, v, facts) for k, v in references.items()],
            "groups": [groups.group_summary(k, v, facts) for k, v in leaves.items()],
        }

    def leaves(self, session: str, unit: str) -> dict[str, Any] | None:
        """Return a group of leaves; ``None`` if there is none of that name."""
        study = self.study
        scans = groups.leaf_groups(study).get((session, unit))
        if scans is None:
            return None
        measured = groups.session_reflectance(study, session)
        return groups.leaf_view(
            scans, measured, self._facts(study, scans), groups.trusted_range(study)
        )

    def references(self, session: str, role: str) -> dict[str, Any] | None:
        """Return the references of one role; ``None`` if there are none."""
        study = self.study
        scans = groups.reference_groups(study).get((session, role))
        if scans is None:
            return None
        return groups.reference_view(
            scans, groups.session_raw_spectra(study, session), self._facts(study, ())
        )

    def photo(self, scan: str) -> bytes | None:
        """Return the picture beside a scan, small and with nothing but its pixels.

        ``None`` if it has none.

        Raises
        ------
        InputFault
            If the picture cannot be shown.
        """
        return photos_of(self.study).small(scan)

    def save(self, by: str, requests: Sequence[DecisionRequest]) -> dict[str, Any]:
        """Write decisions.

        Raises
        ------
        InputFault
            If one cannot be written as it is; nothing is written then.
        """
        if self.effects_seen:
            requests = [replace(a, reason=a.reason and a.reason + AFTER_EFFECTS) for a in requests]
        when = dt.datetime.now().isoformat(timespec="seconds")
        saved = sheet_changes.save(self.folder, self._samples(), requests, by, when)
        name = secrets.token_hex(8)
        with self._lock:
            if saved.lines:
                self._saves[name] = saved.lines
                self._has_saved = True
        return {
            "save": name if saved.lines else None,
            "written": [asdict(decision) for decision in saved.written],
            "conflicts": [
                {"scan": scan, "standing": asdict(decision) if decision else None}
                for scan, decision in saved.conflicts.items()
            ],
        }

    def undo(self, save: str) -> dict[str, Any]:
        """Take a save back; its rows leave the file.

        Raises
        ------
        InputFault
            If there is no such save, the effect was seen since, or its rows were changed.
        """
        if self.effects_seen:
            raise input_fault(
                DECISIONS_FILE,
                "a save that is to be taken back after the effect was seen",
                "decisions that stay once their effect is known",
                "Decide anew with a reason; both rows stay in the file.",
            )
        with self._lock:
            lines = self._saves.get(save)
        if lines is None:
            raise input_fault(
                DECISIONS_FILE,
                "a save that this review did not make",
                "a save of this sitting",
                "Decide anew, or edit the file by hand.",
            )
        sheet_changes.remove_rows(self.folder, lines)
        with self._lock:
            self._saves.pop(save, None)
        return {"taken_back": len(lines)}

    def planned(self) -> dict[str, Any]:
        """Return which stages would run now and why."""
        return {"planned": outdated_tasks(self.folder)}

    def effects(self) -> dict[str, Any]:
        """Return the result with and without the exclusions; from then on decisions say so.

        Raises
        ------
        InputFault
            If nothing was saved in this sitting, or the results are older than the decisions.
        """
        if not self._has_saved:
            raise input_fault(
                DECISIONS_FILE,
                "no decision saved in this sitting",
                "decisions first, their effect afterwards",
                "Save your decisions; the effect is hidden until then.",
            )
        if effects_are_older(outdated_tasks(self.folder)):
            raise input_fault(
                DECISIONS_FILE,
                "results that are older than the decisions",
                "results of the decisions as they are now",
                "Run the study again, here or with leafledger run.",
            )
        self.effects_seen = True
        return with_and_without(self.study)

    def _stale(self) -> list[str]:
        if self.rerun.progress()["state"] == "running":
            return ["A run is at work: what is shown is that of the run before."]
        if not spectra_are_older(outdated_tasks(self.folder)):
            return []
        return [
            "Raw files, settings or the program changed since the last run, and what is shown here "
            "may change with them: run the study first."
        ]

    def _samples(self) -> set[str]:
        return _known_samples(self.study)

    def _facts(self, study: Study, scans: Iterable[Scan]) -> groups.ScanFacts:
        samples = _known_samples(study)
        return groups.ScanFacts(
            said=groups.check_notes(study),
            accepted=groups.acceptance_flags(study),
            decisions=sheet_changes.current_decisions(self.folder, samples),
            digests=groups.raw_digests(study, scans),
            notes=groups.sheet_notes(study),
            blind=blinding_of(study),
        )


def _known_samples(study: Study) -> set[str]:
    """Return the leaf scans that a decision may name, those that take no part included."""
    listed = [*study.scans, *study.planned, *study.omitted]
    return {scan.scan for scan in listed if scan.role == "sample"}


def _decided_with_digest(study: Study) -> list[Scan]:
    """Return the scans whose decision says which raw values it judged."""
    decisions = standing(study.decisions)
    return [s for s in study.samples() if s.scan in decisions and decisions[s.scan].scan_sha256]


def _naming_notices(study: Study, blind: Blind) -> list[str]:
    units = dict.fromkeys(study.unit_of(scan) for scan in study.samples())
    scans = [scan.scan for scan in study.samples()]
    names = blind.telling([*units, *scans])
    if not names:
        return []
    return [
        f"{len(names)} ids of units or scans name a treatment (such as {names[0]}): this review "
        "is not blind. Ask someone who does not know what the names mean."
    ]


# What the page sends: every form but its own is refused
# ----------------------------------------------------------------------


def parse_request(body: Mapping[str, Any]) -> tuple[str, list[DecisionRequest]]:
    """Return who decides and what, from the body of a request.

    Raises
    ------
    InputFault
        If the body is not of that form.
    """
    entries = body.get("decisions")
    by = body.get("by")
    if not isinstance(by, str) or not isinstance(entries, list):
        raise _not_ours("a body without by and decisions", "both")
    return by, [_parse_decision(entry) for entry in entries]


def _parse_decision(entry: Any) -> DecisionRequest:
    if isinstance(entry, dict):
        scan, action, reason = (entry.get(name) for name in ("scan", "action", "reason"))
        seen, digest = entry.get("seen"), entry.get("scan_sha256", "")
        fits = seen is None or (
            isinstance(seen, dict) and all(isinstance(v, str) for v in seen.values())
        )
        words = all(isinstance(text, str) for text in (scan, action, reason, digest))
        if fits and words:
            return DecisionRequest(str(scan), str(action), str(reason), seen, str(digest))
    raise _not_ours("a decision of another form", "scan, action, reason and seen")


def _not_ours(found: str, expected: str) -> InputFault:
    return input_fault(DECISIONS_FILE, found, expected, mend="Reload the page.")


# Pages and answers
# ----------------------------------------------------------------------

_LARGEST_BODY = 2_000_000


def make_app(review: ReviewSession, guard: Guard) -> Flask:
    """Return the application.

    Parameters
    ----------
    review
        What it shows and does.
    guard
        Who may ask.
    """
    from flask import Flask

    app = Flask("leafledger.review", static_folder="static", template_folder="templates")
    app.config["MAX_CONTENT_LENGTH"] = _LARGEST_BODY
    add_guard(app, guard, "review.html")
    _add_reading(app, review)
    _add_writing(app, review)
    add_errors(app, "results")
    return app


def _add_reading(app: Flask, review: ReviewSession) -> None:
    from flask import Response, abort, jsonify

    def or_not_found(view: dict[str, Any] | None) -> Any:
        return jsonify(view) if view is not None else abort(404)

    @app.get("/api/study")
    def study() -> Any:
        return jsonify(review.overview())

    @app.get("/api/leaves/<session>/<unit>")
    def leaves(session: str, unit: str) -> Any:
        return or_not_found(review.leaves(session, unit))

    @app.get("/api/references/<session>/<role>")
    def references(session: str, role: str) -> Any:
        return or_not_found(review.references(session, role))

    @app.get("/api/photo/<scan>")
    def photo(scan: str) -> Any:
        picture = review.photo(scan)
        return Response(picture, mimetype=MEDIA_TYPE) if picture is not None else abort(404)

    @app.get("/api/plan")
    def planned() -> Any:
        return jsonify(review.planned())

    @app.get("/api/progress")
    def progress() -> Any:
        return jsonify(review.rerun.progress())


def _add_writing(app: Flask, review: ReviewSession) -> None:
    from flask import abort, jsonify, request

    def body(expected: str) -> dict[str, Any]:
        """Return the JSON object that was sent; every POST must send one, an empty one at least."""
        found = "no JSON object"
        try:
            given = request.get_json(silent=True)
        except RecursionError:  # brackets in brackets, by the thousand
            given, found = None, "JSON nested deeper than can be read"
        if not isinstance(given, dict):
            problem = Problem("the request", found, expected, "Reload the page.")
            abort(problem_answer(400, problem))
        return given

    def empty_body() -> None:
        if body("{}, as the review's own page sends"):
            problem = Problem("the request", "a body with keys", "{}", "Reload the page.")
            abort(problem_answer(400, problem))

    @app.post("/api/decisions")
    def decide() -> Any:
        return jsonify(review.save(*parse_request(body("decisions of the review's own page"))))

    @app.post("/api/undo")
    def undo() -> Any:
        return jsonify(review.undo(str(body("the save to undo").get("save"))))

    @app.post("/api/rerun")
    def rerun() -> Any:
        empty_body()
        return jsonify({"started": review.rerun.start()})

    # Asking marks the sitting as one that has seen the effect, so it is no mere reading.
    @app.post("/api/effects")
    def effects() -> Any:
        empty_body()
        return jsonify(review.effects())


# Serving on this machine only
# ----------------------------------------------------------------------


def open_server(review: ReviewSession, port: int) -> tuple[BaseWSGIServer, Guard]:
    """Take a port of the loopback address, a free one for 0.

    Raises
    ------
    InputFault
        If the port is taken.
    """
    return open_port(port, lambda guard: make_app(review, guard))


def serve(review: ReviewSession, port: int, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the review until interrupted."""
    server, guard = open_server(review, port)
    announce(guard, browser, say)
    try:
        server.serve_forever()  # until Ctrl-C, which it takes itself
    finally:
        server.server_close()
    say("The review has ended; what was saved is in decisions.csv.")
