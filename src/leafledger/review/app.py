"""The pages and answers of the review, over Flask."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault
from leafledger.review.desk import Desk
from leafledger.review.guard import HEADERS, Guard
from leafledger.review.request_body import asked_from

if TYPE_CHECKING:
    from flask import Flask, Response

_LARGEST_BODY = 2_000_000


def make_app(desk: Desk, guard: Guard) -> Flask:
    """Return the application.

    Parameters
    ----------
    desk
        What it shows and does.
    guard
        Who may ask.
    """
    from flask import Flask

    app = Flask("leafledger.review", static_folder="static", template_folder="templates")
    app.config["MAX_CONTENT_LENGTH"] = _LARGEST_BODY
    _add_guard(app, guard)
    _add_page(app, guard)
    _add_reading(app, desk)
    _add_writing(app, desk)
    _add_errors(app)
    return app


def _add_guard(app: Flask, guard: Guard) -> None:
    from flask import request

    @app.before_request
    def judge() -> tuple[str, int, dict[str, str]] | None:
        why = guard.why_refused(
            request.method,
            dict(request.headers),
            cookie=request.cookies.get(guard.cookie, ""),
            token=request.args.get("token", "") if request.path == "/" else "",
            media_type=request.mimetype,
        )
        return (f"Refused: {why}.\n", 403, {"Content-Type": "text/plain"}) if why else None

    @app.after_request
    def shield(answer: Response) -> Response:
        answer.headers.update(HEADERS)
        return answer


def _add_page(app: Flask, guard: Guard) -> None:
    from flask import redirect, render_template, request

    @app.get("/")
    def page() -> Any:
        if "token" not in request.args:
            return render_template("review.html")
        answer = redirect("/", 303)
        if guard.opens(request.args["token"]):
            answer.set_cookie(guard.cookie, guard.secret, httponly=True, samesite="Strict")
        return answer


def _add_reading(app: Flask, desk: Desk) -> None:
    from flask import abort, jsonify

    def found(view: dict[str, Any] | None) -> Any:
        return jsonify(view) if view is not None else abort(404)

    @app.get("/api/study")
    def study() -> Any:
        return jsonify(desk.overview())

    @app.get("/api/leaves/<session>/<unit>")
    def leaves(session: str, unit: str) -> Any:
        return found(desk.leaves(session, unit))

    @app.get("/api/references/<session>/<role>")
    def references(session: str, role: str) -> Any:
        return found(desk.references(session, role))

    @app.get("/api/plan")
    def planned() -> Any:
        return jsonify(desk.planned())

    @app.get("/api/progress")
    def progress() -> Any:
        return jsonify(desk.rerun.progress())


def _unreadable() -> Response:
    from flask import jsonify, make_response

    problem = {
        "file": "the request",
        "found": "JSON nested deeper than can be read",
        "expected": "decisions of the review's own page",
        "mend": "Reload the page.",
    }
    return make_response(jsonify({"problems": [problem]}), 400)


def _add_writing(app: Flask, desk: Desk) -> None:
    from flask import abort, jsonify, request

    def body() -> dict[str, Any]:
        try:
            given = request.get_json(silent=True)
        except RecursionError:  # brackets in brackets, by the thousand
            abort(_unreadable())
        return given if isinstance(given, dict) else {}

    @app.post("/api/decisions")
    def decide() -> Any:
        return jsonify(desk.save(*asked_from(body())))

    @app.post("/api/undo")
    def undo() -> Any:
        return jsonify(desk.undo(str(body().get("save"))))

    @app.post("/api/rerun")
    def rerun() -> Any:
        return jsonify({"started": desk.rerun.start()})

    # Asking marks the sitting as one that has seen the effect, so it is no mere reading.
    @app.post("/api/effects")
    def effects() -> Any:
        return jsonify(desk.effects())


def _add_errors(app: Flask) -> None:
    from flask import jsonify

    @app.errorhandler(InputFault)
    def at_fault(fault: InputFault) -> Any:
        return jsonify({"problems": [p.as_dict() for p in fault.problems]}), 422

    @app.errorhandler(OSError)
    def unreadable(error: OSError) -> Any:
        problem = {
            "file": Path(str(error.filename or "results")).name,
            "found": (error.strerror or "what cannot be read").lower(),
            "expected": "a study folder to read from and write to",
            "mend": "If a run is at work, wait until it has ended. If the folder cannot be written "
            "to, ask for the right, or review a copy of your own.",
        }
        return jsonify({"problems": [problem]}), 503
