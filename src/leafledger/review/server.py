"""Who may talk to the review page, what may they send, and what is answered?"""

from __future__ import annotations

import hmac
import os
import secrets
import socket
import sys
import webbrowser
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from werkzeug.serving import BaseWSGIServer, WSGIRequestHandler, make_server

from leafledger.errors import InputFault, Problem, input_fault
from leafledger.review.decision_file import DecisionRequest
from leafledger.review.photos import MEDIA_TYPE
from leafledger.review.review_session import ReviewSession
from leafledger.study.scan_sheet import DECISIONS_FILE

if TYPE_CHECKING:
    from flask import Flask, Response


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


# Who may ask: a browser on this machine that was given the address
# ----------------------------------------------------------------------
# A page of another site can make the browser send requests here, and a name of another site can be
# pointed at this machine (DNS rebinding). The name asked for, the page asked from, a secret cookie
# and the kind of body are all checked before anything is done.
#
# References
# ----------
# Jackson C, Barth A, Bortz A, Shao W, Boneh D (2007) Protecting browsers from DNS rebinding
# attacks.
# RFC 6454 (the Origin header); RFC 6265 (cookies); W3C Content Security Policy Level 3; W3C Fetch
# Metadata Request Headers.

CONTENT_POLICY = (
    "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": CONTENT_POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Sent with every answer."""


@dataclass(frozen=True)
class Guard:
    """Decides which requests may pass.

    Parameters
    ----------
    port
        Port of this server.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @property
    def address(self) -> str:
        """The address to open; it holds the token."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies are shared between the ports of a machine."""
        return f"leafledger_review_{self.port}"

    def why_refused(
        self,
        method: str,
        headers: Mapping[str, str],
        *,
        cookie: str = "",
        token: str = "",
        media_type: str = "",
    ) -> str | None:
        """Return why a request is refused, ``None`` if it may pass.

        Parameters
        ----------
        method, headers
            Of the request.
        cookie
            Value of our cookie, if it was sent.
        token
            Token in the address, if there is one.
        media_type
            Of the body.
        """
        names = {f"127.0.0.1:{self.port}", f"localhost:{self.port}"}
        host = headers.get("Host", "")
        if host not in names:
            return "the name asked for is not this machine's"
        origin = headers.get("Origin")
        if origin is not None and origin != f"http://{host}":
            return "a page of another site asked"
        if headers.get("Sec-Fetch-Site", "none") not in {"none", "same-origin"}:
            return "another page led here; type or paste the address that the terminal shows"
        if not (_same(cookie, self.secret) or (method == "GET" and self.opens(token))):
            return "the address lacks its token; use the one that the terminal shows"
        if method not in {"GET", "HEAD"} and media_type != "application/json":
            return "only this page's own requests are taken"
        return None

    def opens(self, token: str) -> bool:
        """Tell whether a token is the right one."""
        return _same(token, self.token)


def _same(given: str, right: str) -> bool:
    return hmac.compare_digest(given.encode(), right.encode())


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
    _add_guard(app, guard)
    _add_reading(app, review)
    _add_writing(app, review)
    _add_errors(app)
    return app


def _add_guard(app: Flask, guard: Guard) -> None:
    """Check every request, and open the page to who knows the token."""
    from flask import redirect, render_template, request

    @app.before_request
    def check() -> tuple[str, int, dict[str, str]] | None:
        why = guard.why_refused(
            request.method,
            dict(request.headers),
            cookie=request.cookies.get(guard.cookie, ""),
            token=request.args.get("token", "") if request.path == "/" else "",
            media_type=request.mimetype,
        )
        return (f"Refused: {why}.\n", 403, {"Content-Type": "text/plain"}) if why else None

    @app.after_request
    def add_headers(answer: Response) -> Response:
        answer.headers.update(HEADERS)
        return answer

    @app.get("/")
    def page() -> Any:
        if "token" not in request.args:
            return render_template("review.html")
        answer = redirect("/", 303)
        if guard.opens(request.args["token"]):
            answer.set_cookie(guard.cookie, guard.secret, httponly=True, samesite="Strict")
        return answer


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
            abort(_problem_answer(400, problem))
        return given

    def empty_body() -> None:
        if body("{}, as the review's own page sends"):
            problem = Problem("the request", "a body with keys", "{}", "Reload the page.")
            abort(_problem_answer(400, problem))

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


def _add_errors(app: Flask) -> None:
    @app.errorhandler(InputFault)
    def at_fault(fault: InputFault) -> Any:
        return _problem_answer(422, *fault.problems)

    @app.errorhandler(OSError)
    def unreadable(error: OSError) -> Any:
        return _problem_answer(
            503,
            Problem(
                file=Path(str(error.filename or "results")).name,
                found=(error.strerror or "what cannot be read").lower(),
                expected="a study folder to read from and write to",
                mend="If a run is at work, wait until it has ended. If the folder cannot be "
                "written to, ask for the right, or review a copy of your own.",
            ),
        )


def _problem_answer(status: int, *problems: Problem) -> Response:
    from flask import jsonify, make_response

    return make_response(jsonify({"problems": [p.as_dict() for p in problems]}), status)


# Serving on this machine only
# ----------------------------------------------------------------------

_HOST = "127.0.0.1"


class _Quiet(WSGIRequestHandler):
    """Logs errors, not every request: the address in a log would hold the token."""

    server_version = "leafledger"
    sys_version = ""

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        """Say nothing about a request that was answered."""


def open_server(review: ReviewSession, port: int) -> tuple[BaseWSGIServer, Guard]:
    """Take a port of the loopback address, a free one for 0.

    Raises
    ------
    InputFault
        If the port is taken.
    """
    try:
        taken = socket.create_server((_HOST, port))
    except OSError as error:
        raise input_fault(
            file="--port",
            found=f"port {port}: {(error.strerror or 'not to be had').lower()}",
            expected="a free port of this machine",
            mend="Leave --port out: a free one is found.",
        ) from error
    with taken:  # the server works on a copy of the socket
        guard = Guard(taken.getsockname()[1])
        server = make_server(
            _HOST,
            guard.port,
            make_app(review, guard),
            threaded=True,
            request_handler=_Quiet,
            fd=taken.fileno(),
        )
    return server, guard


def serve(review: ReviewSession, port: int, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the review until interrupted."""
    server, guard = open_server(review, port)
    say(f"Open {guard.address}")
    say("The address is for you alone; end with Ctrl-C.")
    if browser and _has_screen():
        webbrowser.open(guard.address)
    try:
        server.serve_forever()  # until Ctrl-C, which it takes itself
    finally:
        server.server_close()
    say("The review has ended; what was saved is in decisions.csv.")


def _has_screen() -> bool:
    """Tell whether a browser can show itself; without a screen one would take the terminal."""
    screens = ("DISPLAY", "WAYLAND_DISPLAY")
    return sys.platform != "linux" or any(os.environ.get(name) for name in screens)
