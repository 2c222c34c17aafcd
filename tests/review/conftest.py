"""The study that the tests of the review share: made once, copied for each."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Page, expect

from browser import Watched
from leafledger.review.review_session import Guard, ReviewSession, make_app, open_server

from . import invented_study

PORT = 8123


class Browser(FlaskClient):
    """Asks by the name of this machine, as a browser does."""

    def open(self, *args, **kwargs):
        kwargs.setdefault("base_url", f"http://127.0.0.1:{PORT}")
        return super().open(*args, **kwargs)


@pytest.fixture(scope="session")
def study_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return invented_study.make(tmp_path_factory.mktemp("review") / "study")


@pytest.fixture
def study(study_made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(study_made, tmp_path / "study"))


@pytest.fixture
def sitting(study: Path) -> ReviewSession:
    return ReviewSession(study)


@pytest.fixture
def guard() -> Guard:
    return Guard(PORT)


@pytest.fixture
def stranger(sitting: ReviewSession, guard: Guard):
    """Return a client that has not been given the address."""
    app = make_app(sitting, guard)
    app.test_client_class = Browser
    return app.test_client()


@pytest.fixture
def client(stranger, guard: Guard):
    """Return a client that has opened the address."""
    answer = stranger.get(f"/?token={guard.token}")
    assert answer.status_code == 303
    return stranger


@contextmanager
def _serving(sitting: ReviewSession) -> Iterator[str]:
    server, guard = open_server(sitting, 0)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield guard.address
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def served() -> Iterator[Callable[[ReviewSession], str]]:
    """Return a function that serves a sitting until the test ends and returns the address."""
    with ExitStack() as until_the_end:
        yield lambda sitting: until_the_end.enter_context(_serving(sitting))


@pytest.fixture
def opened(
    watched: Watched, sitting: ReviewSession, served: Callable[[ReviewSession], str]
) -> Callable[[], Page]:
    """Return a function that opens the review of the shared study, drawn and ready."""

    def open_it() -> Page:
        address = served(sitting)
        watched.allow(address.split("?")[0])
        watched.page.goto(address)
        expect(watched.page.locator("#figures svg").first).to_be_visible()
        return watched.page

    return open_it
