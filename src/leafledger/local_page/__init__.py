"""Who may talk to a page that is served on this machine, and how is it served?"""

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

if TYPE_CHECKING:
    from flask import Flask, Response


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
        return f"leafledger_{self.port}"

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


# Checks and answers that every page shares
# ----------------------------------------------------------------------


def add_guard(app: Flask, guard: Guard, template: str) -> None:
    """Check every request, and open the page to who knows the token.

    Parameters
    ----------
    app
        The application; it gets what pages share below ``/shared``.
    guard
        Who may ask.
    template
        Name of the page's template.
    """
    from flask import redirect, render_template, request, send_from_directory

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
            return render_template(template)
        answer = redirect("/", 303)
        if guard.opens(request.args["token"]):
            answer.set_cookie(guard.cookie, guard.secret, httponly=True, samesite="Strict")
        return answer

    @app.get("/shared/<name>")
    def shared(name: str) -> Any:
        return send_from_directory(Path(__file__).parent / "static", name)


def add_errors(app: Flask, folder: str) -> None:
    """Answer faults as JSON: what is wrong and how to mend it.

    Parameters
    ----------
    app
        The application.
    folder
        What to name if an error of the disk names no file.
    """

    @app.errorhandler(InputFault)
    def at_fault(fault: InputFault) -> Any:
        return problem_answer(422, *fault.problems)

    @app.errorhandler(OSError)
    def unreadable(error: OSError) -> Any:
        return problem_answer(
            503,
            Problem(
                file=Path(str(error.filename or folder)).name,
                found=(error.strerror or "what cannot be read").lower(),
                expected="a study folder to read from and write to",
                mend="If a run is at work, wait until it has ended. If the folder cannot be "
                "written to, ask for the right, or review a copy of your own.",
            ),
        )


def problem_answer(status: int, *problems: Problem) -> Response:
    """Return problems as JSON, with a status."""
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


def open_port(port: int, application: Callable[[Guard], Flask]) -> tuple[BaseWSGIServer, Guard]:
    """Take a port of the loopback address, a free one for 0.

    Parameters
    ----------
    port
        The port.
    application
        Makes the application that the guard lets people to.

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
            application(guard),
            threaded=True,
            request_handler=_Quiet,
            fd=taken.fileno(),
        )
    return server, guard


def announce(guard: Guard, browser: bool, say: Callable[[str], None]) -> None:
    """Say the address of a page, and open a browser if that is asked and there is a screen."""
    say(f"Open {guard.address}")
    say("The address is for you alone; end with Ctrl-C.")
    if browser and has_screen():
        webbrowser.open(guard.address)


def has_screen() -> bool:
    """Tell whether a browser can show itself; without a screen one would take the terminal."""
    screens = ("DISPLAY", "WAYLAND_DISPLAY")
    return sys.platform != "linux" or any(os.environ.get(name) for name in screens)
