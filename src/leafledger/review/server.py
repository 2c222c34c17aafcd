"""What may be sent to the review page, and what is answered?"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from werkzeug.serving import BaseWSGIServer

from leafledger.errors import InputFault, Problem, input_fault
from leafledger.local_page.local_server import (
    Guard,
    add_errors,
    add_guard,
    announce,
    open_port,
    problem_answer,
)
from leafledger.review.decision_file import DecisionRequest
from leafledger.review.review_session import MEDIA_TYPE, ReviewSession
from leafledger.study.scan_sheet import DECISIONS_FILE

if TYPE_CHECKING:
    from flask import Flask


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
