"""The study that the tests of the review share: made once, copied for each."""

from __future__ import annotations

import shutil
from pathlib import Path

import desks
import pytest
from flask.testing import FlaskClient

from leafledger.review.app import make_app
from leafledger.review.desk import Desk
from leafledger.review.guard import Guard

PORT = 8123


class Browser(FlaskClient):
    """Asks by the name of this machine, as a browser does."""

    def open(self, *args, **kwargs):
        kwargs.setdefault("base_url", f"http://127.0.0.1:{PORT}")
        return super().open(*args, **kwargs)


@pytest.fixture(scope="session")
def study_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desks.make(tmp_path_factory.mktemp("review") / "study")


@pytest.fixture
def study(study_made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(study_made, tmp_path / "study"))


@pytest.fixture
def desk(study: Path) -> Desk:
    return Desk(study)


@pytest.fixture
def guard() -> Guard:
    return Guard(PORT)


@pytest.fixture
def stranger(desk: Desk, guard: Guard):
    """Return a client that has not been given the address."""
    app = make_app(desk, guard)
    app.test_client_class = Browser
    return app.test_client()


@pytest.fixture
def client(stranger, guard: Guard):
    """Return a client that has opened the address."""
    answer = stranger.get(f"/?token={guard.token}")
    assert answer.status_code == 303
    return stranger
