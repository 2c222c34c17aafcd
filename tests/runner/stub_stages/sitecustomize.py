"""Stages that take no time, for tests of what runs when; Python imports this by itself at start.

In processes whose PYTHONPATH names this folder and whose environment asks for them, every stage
writes small files that rest on its settings and inputs alone. There are few different contents, so
that a task often gives the same bytes as before, as a real one does when a change does not matter
to it.
"""

import hashlib
import importlib
import json
import os
from pathlib import Path

ASKED_FOR_BY = "LEAFLEDGER_TEST_STUBS"
_import_module = importlib.import_module
_N_CONTENTS = 3
BOOK = "plan_history"
"""The one input that is no function of the study but of its book."""


class StubStage:
    """A module of a stage, as far as a step needs it."""

    @staticmethod
    def run(job):
        from leafledger.records.record import Outcome
        from leafledger.study.table_files import write_text

        if place := os.environ.get("LEAFLEDGER_TEST_PARENTS"):
            with Path(place).open("a") as file:
                file.write(f"{os.getppid()}\n")
        read = {role: path.read_bytes().hex() for role, path in job.inputs.items() if role != BOOK}
        text = json.dumps([job.rule, job.session, dict(job.settings), read], sort_keys=True)
        which = int(hashlib.sha256(text.encode()).hexdigest(), 16)
        for number, (role, path) in enumerate(job.outputs.items()):
            folder = role == "figures"
            places = [path / f"{which % 2}.svg", path / "all.svg"] if folder else [path]
            for place in places:
                content = (which >> number) % (10**9 if job.rule == "intake" else _N_CONTENTS)
                write_text(place, f"{job.rule} {job.session} {role} {content}\n")
        return Outcome()


def stub_or_module(name, package=None):
    """Return the stub where a stage is asked for, else the module."""
    if name.startswith("leafledger."):
        from leafledger.study.rules import RULES

        if name in {rule.module for rule in RULES}:
            return StubStage
    return _import_module(name, package)


if os.environ.get(ASKED_FOR_BY):
    importlib.import_module = stub_or_module
