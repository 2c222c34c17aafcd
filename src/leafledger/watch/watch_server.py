"""What does the page of a watch ask for and send, and how does the watch run beside it?"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from werkzeug.serving import BaseWSGIServer

from leafledger.errors import Problem, input_fault
from leafledger.local_page.local_server import (
    Guard,
    add_errors,
    add_guard,
    open_port,
    problem_answer,
)
from leafledger.watch.measuring_session import MeasuringSession
from leafledger.watch.page_state import page_state
from leafledger.watch.saved_files import FolderNotices

if TYPE_CHECKING:
    from flask import Flask


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
        self._looking = threading.Thread(target=self._look, daemon=True)
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

    def _look(self) -> None:
        try:
            first = True
            while not self._stop.is_set():
                known = self.session.files.names
                pending = self.session.look()
                new = frozenset() if first else self.session.files.names - known
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
