"""One page of a whole study, drawn once for all tests of this folder."""

from __future__ import annotations

import pytest

from leafledger.report.stage import run

from . import pages, tables


@pytest.fixture(scope="session")
def whole(tmp_path_factory):
    both = tables.Plan(figures=("svg", "png"))
    made = tables.make(tmp_path_factory.mktemp("whole"), both)
    made.outcome = run(made.job())
    made.page = made.job().outputs["report"].read_text(encoding="utf-8")
    made.seen = pages.read(made.page)
    return made
