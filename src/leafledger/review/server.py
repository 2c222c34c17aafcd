"""Serving the review on this machine only."""

from __future__ import annotations

import os
import socket
import sys
import webbrowser
from collections.abc import Callable

from werkzeug.serving import BaseWSGIServer, WSGIRequestHandler, make_server

from leafledger.errors import InputFault, Problem
from leafledger.review.app import make_app
from leafledger.review.desk import Desk
from leafledger.review.guard import Guard

_HOST = "127.0.0.1"


class _Quiet(WSGIRequestHandler):
    """Tells errors, not every request: the address in a log would hold the token."""

    server_version = "leafledger"
    sys_version = ""

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        """Say nothing about a request that was answered."""


def open_server(desk: Desk, port: int) -> tuple[BaseWSGIServer, Guard]:
    """Take a port of the loopback address, a free one for 0.

    Raises
    ------
    InputFault
        If the port is taken.
    """
    try:
        taken = socket.create_server((_HOST, port))
    except OSError as error:
        raise InputFault(
            Problem(
                file="--port",
                found=f"port {port}: {(error.strerror or 'not to be had').lower()}",
                expected="a free port of this machine",
                mend="Leave --port out: a free one is found.",
            )
        ) from error
    with taken:  # the server works on a copy of the socket
        guard = Guard(taken.getsockname()[1])
        server = make_server(
            _HOST,
            guard.port,
            make_app(desk, guard),
            threaded=True,
            request_handler=_Quiet,
            fd=taken.fileno(),
        )
    return server, guard


def serve(desk: Desk, port: int, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the review until interrupted."""
    server, guard = open_server(desk, port)
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
