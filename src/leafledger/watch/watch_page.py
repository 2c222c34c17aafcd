"""What does the page of a watch show, ask for and send, and how does the watch run beside it?"""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from werkzeug.serving import BaseWSGIServer

from leafledger.errors import Problem, input_fault
from leafledger.local_page import (
    Guard,
    add_errors,
    add_guard,
    open_port,
    problem_answer,
)
from leafledger.quality.reference_checks import BRACKET_MIN
from leafledger.watch.measuring_session import MeasuringSession, minutes
from leafledger.watch.saved_files import FolderNotices
from leafledger.watch.scan_checks import Grade, Verdict
from leafledger.watch.session_steps import Step, upcoming

if TYPE_CHECKING:
    from flask import Flask


# What the page shows: next step, last verdict, its spectrum, tally, next white.
# ----------------------------------------------------------------------

_GRADES: tuple[Grade, ...] = ("good", "fault", "outlier", "unclear", "unjudged")
_POINTS = 220
"""Points of a spectrum on the page."""
_FEWEST_FOR_BAND = 5
"""Fewer spectra make no band of the middle 90 %."""
_SOON_MIN = 3.0
"""Minutes before a white is due that it is announced."""


def page_state(session: MeasuringSession) -> dict[str, Any]:
    """Return all that the page shows, as JSON values; never a treatment."""
    with session.lock:
        following = session.order.next
        last = _last_step(session)
        return {
            "version": session.version,
            "session": session.session,
            "folder": session.folder_name,
            "writes": not session.order.by_pattern,
            "next": None if following is None else _step_view(session, following),
            "after_next": [session.words_of(s) for s in upcoming(session.order.steps)[1:4]],
            "last": None if last is None else _last_view(session, last),
            "attention": _attention(session),
            "spectrum": None if last is None else _spectrum(session, last),
            "tally": _tally(session),
            "white": _white_due(session),
            "waiting": list(session.waiting),
            "parked": [
                {"file": p.file, "item": p.item, "why": p.why, "can_take": p.can_take}
                for p in session.parked.values()
            ],
            "messages": [
                {"text": m.text, "kind": m.kind, "bell": m.bell, "version": v}
                for v, m in list(session.messages)[-12:]
            ],
        }


def _last_step(session: MeasuringSession) -> Step | None:
    scans = {s.scan for s in session.checks.scans}
    return next(
        (
            s
            for s in session.order.measured
            if s.scan.scan == session.last_scan and session.last_scan in scans
        ),
        None,
    )


def _step_view(session: MeasuringSession, step: Step) -> dict[str, Any]:
    position = [s.scan.scan for s in session.order.steps].index(step.scan.scan)
    return {
        "scan": step.scan.scan,
        "role": step.scan.role,
        "words": session.words_of(step),
        "repeats": step.repeats,
        "place": position + 1,
        "of": len(session.order.steps),
    }


def _last_view(session: MeasuringSession, step: Step) -> dict[str, Any]:
    verdict = session.verdicts[step.scan.scan]
    return {
        **_step_view(session, step),
        **_verdict_view(verdict),
        "note": step.note,
        "file": step.scan.file,
    }


def _attention(session: MeasuringSession) -> list[dict[str, Any]]:
    """Return the earlier scans that should be measured again."""
    return [
        {
            "scan": s.scan.scan,
            "words": session.words_of(s),
            **_verdict_view(session.verdicts[s.scan.scan]),
        }
        for s in session.order.measured
        if s.scan.scan in session.verdicts
        and s.scan.scan != session.last_scan
        and session.verdicts[s.scan.scan].grade in ("fault", "outlier")
    ]


def _tally(session: MeasuringSession) -> dict[str, int]:
    grades = [v.grade for v in session.verdicts.values()]
    steps = session.order.steps
    return {
        "done": sum(s.state != "open" for s in steps),
        "of": len(steps),
        "leaves": sum(s.scan.role == "sample" for s in session.order.measured),
        "leaves_of": sum(
            s.scan.role == "sample" for s in steps if s.state in ("measured", "open", "vanished")
        ),
        **{grade: grades.count(grade) for grade in _GRADES},
        "skipped": sum(s.omitted.startswith("not measured") for s in steps),
        "repeated": sum(s.omitted.startswith("superseded") for s in steps),
    }


def _white_due(session: MeasuringSession) -> dict[str, Any] | None:
    """Return when a white is due: by the order, and by the time since the last one."""
    if session.study.form(session.session).quantity != "counts":
        return None
    whites = [s for s in session.order.measured if s.scan.role == "white"]
    ahead = upcoming(session.order.steps)
    n_before_white = next((k for k, s in enumerate(ahead) if s.scan.role == "white"), None)
    if n_before_white == 0:
        return {"words": "A white is next.", "due": True}
    if not ahead:
        return {"words": "No white is due.", "due": False}
    leaves = sum(s.scan.role == "sample" for s in ahead[:n_before_white])
    planned = "" if n_before_white is None else f"planned after {leaves} more leaves"
    if not whites or whites[-1].scan.time is None:
        words = f"No white measured yet{', ' + planned if planned else ''}."
        return {"words": words, "due": bool(not whites and n_before_white is None)}
    since = dt.datetime.now() - dt.datetime.fromisoformat(whites[-1].scan.time)
    minutes_left = BRACKET_MIN - since.total_seconds() / 60
    if minutes_left <= 0:
        words = f"White due now: the last one is {minutes(since.total_seconds())} old."
        return {"words": words, "due": True}
    words = f"Next white within {minutes_left:.0f} min" + (f", {planned}." if planned else ".")
    return {"words": words, "due": minutes_left < _SOON_MIN}


def _spectrum(session: MeasuringSession, step: Step) -> dict[str, Any] | None:
    """Return the last spectrum over its group, thinned for drawing."""
    verdict = session.verdicts[step.scan.scan]
    flagged_nm = next((f.wavelength_nm for f in verdict.flags if f.severity != "notice"), None)
    role, scan = step.scan.role, step.scan.scan
    values = session.checks.reflectance_of(scan) if role == "sample" else None
    if values is not None:
        axis, y = session.checks.grid_nm, "reflectance"
        same = [s for s in session.checks.scans if s.role == "sample" and s.scan != scan]
        lines = {s.scan: session.checks.reflectance_of(s.scan) for s in same}
        near = [s.scan for s in same if s.unit == session.study.unit_of(step.scan)]
        others = f"the other leaves of {step.scan.unit}" if step.scan.unit else "other leaves"
    else:
        measured = next(s for s in session.checks.scans if s.scan == scan)
        axis, values, y = measured.wavelength_nm, measured.values, "counts"
        if session.study.form(session.session).quantity != "counts":
            y = "reflectance"
        same = [
            s
            for s in session.checks.scans
            if s.role == role and s.scan != scan and s.integration_ms == measured.integration_ms
        ]
        lines = {s.scan: s.values for s in same}
        near = [s.scan for s in same][-4:]
        others = f"the {role} scans before it" if role != "sample" else "other leaves, raw"
    spectra = np.array([v for v in lines.values() if v is not None])
    thin = np.unique(np.linspace(0, len(axis) - 1, min(_POINTS, len(axis))).astype(int))
    band = None
    if len(spectra) >= _FEWEST_FOR_BAND:
        low, middle, high = np.quantile(spectra[:, thin], [0.05, 0.5, 0.95], axis=0)
        band = {"low": _points(axis[thin], low), "middle": _points(axis[thin], middle),
                "high": _points(axis[thin], high)}  # fmt: skip
    near_lines = [lines[name] for name in near]
    return {
        "scan": scan,
        "y": y,
        "others": others,
        "place": flagged_nm,
        "last": _points(axis[thin], values[thin]),
        "near": [_points(axis[thin], v[thin]) for v in near_lines if v is not None],
        "band": band,
    }


def _verdict_view(verdict: Verdict) -> dict[str, Any]:
    return {
        "grade": verdict.grade,
        "reason": verdict.reason,
        "action": verdict.action,
        "sentences": [f.sentence for f in verdict.flags if f.severity != "notice"],
        "notices": [f.sentence for f in verdict.flags if f.severity == "notice"],
        "not_judged_yet": list(verdict.not_judged_yet),
    }


def _points(axis: np.ndarray, values: np.ndarray) -> list[list[float]]:
    return [
        [round(float(x), 2), float(f"{float(y):.5g}")] for x, y in zip(axis, values, strict=True)
    ]


# What the page sends: five actions and no others.
# ----------------------------------------------------------------------

ACTIONS = ("again", "skip", "undo", "note", "take")
_LARGEST_BODY = 20_000


def act(session: MeasuringSession, action: str, words: str, scan: str) -> None:
    """Do what a person asks, by key or button.

    Parameters
    ----------
    session
        The session.
    action
        One of :data:`ACTIONS`.
    words
        Reason, note, or for ``take`` the file.
    scan
        Which scan; empty for the last one, or the next step.

    Raises
    ------
    InputFault
        If it cannot be done now.
    """
    if action == "again":
        session.again(scan, words)
    elif action == "skip":
        session.skip(words)
    elif action == "undo":
        session.undo()
    elif action == "note":
        session.note(words, scan)
    elif action == "take":
        session.take(words)
    else:
        raise input_fault(
            "the request", f'action "{action}"', " or ".join(ACTIONS), "Reload the page."
        )


def make_app(session: MeasuringSession, guard: Guard) -> Flask:
    """Return the application.

    Parameters
    ----------
    session
        What it shows and does.
    guard
        Who may ask.
    """
    from flask import Flask, jsonify, request

    app = Flask("leafledger.watch", static_folder="static", template_folder="templates")
    app.config["MAX_CONTENT_LENGTH"] = _LARGEST_BODY
    add_guard(app, guard, "watch.html")
    add_errors(app, "scans.csv")

    @app.get("/api/state")
    def state() -> Any:
        if request.args.get("version") == str(session.version):
            return jsonify({"version": session.version, "same": True})
        return jsonify(page_state(session))

    @app.post("/api/act")
    def do() -> Any:
        try:
            body = request.get_json(silent=True)
        except RecursionError:  # brackets in brackets, by the thousand
            body = None
        given = body if isinstance(body, dict) else {}
        words = [given.get(name, "") for name in ("action", "words", "scan")]
        if not all(isinstance(word, str) for word in words):
            odd = Problem("the request", "another form", "action, words, scan", "Reload the page.")
            return problem_answer(400, odd)
        act(session, *words)
        return jsonify(page_state(session))

    return app


# The watch and its page, side by side.
# ----------------------------------------------------------------------


class Watch:
    """Looks through the folder in a thread of its own, and serves the page in another.

    Parameters
    ----------
    session
        The session that is measured.
    polling
        Whether to do without notices of the file system.
    say
        Called with sentences about the watch itself.
    """

    def __init__(
        self, session: MeasuringSession, polling: bool, say: Callable[[str], None]
    ) -> None:
        self.session = session
        self.notices = FolderNotices(session.folder, polling, say)
        self._stop = threading.Event()
        self._looking = threading.Thread(target=self._watch_files, daemon=True)
        self._server: BaseWSGIServer | None = None
        self._serving: threading.Thread | None = None
        self.failure: BaseException | None = None
        """What ended the looking, if anything did."""

    def serve(self, port: int) -> Guard:
        """Serve the page beside the watch.

        Raises
        ------
        InputFault
            If the port is taken.
        """
        self._server, guard = open_port(port, lambda guard: make_app(self.session, guard))
        self._serving = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._serving.start()
        return guard

    def start(self) -> None:
        """Begin to look."""
        self.notices.start()
        self._looking.start()

    def _watch_files(self) -> None:
        try:
            first = True
            while not self._stop.is_set():
                seen_files = self.session.files.names
                pending = self.session.look()
                new = frozenset() if first else self.session.files.names - seen_files
                self.notices.found(sorted(new), time.monotonic())
                first = False
                self.notices.wait(pending)
        except BaseException as error:  # noqa: BLE001 - handed to the thread that waits
            self.failure = error
            self._stop.set()

    def wait(self, seconds: float) -> bool:
        """Wait so long; tell whether the watch is still at work."""
        return not self._stop.wait(seconds)

    def stop(self) -> None:
        """End the watch; everything is in the sheet already."""
        self._stop.set()
        self.notices.wake()
        self.notices.stop()
        if self._looking.ident is not None:
            self._looking.join(timeout=10)
        if self._server is not None and self._serving is not None:
            self._server.shutdown()
            self._serving.join()
            self._server.server_close()
        self.session.close()
