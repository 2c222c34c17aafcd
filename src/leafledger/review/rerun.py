"""The rerun that a save calls for: which stages would run and why, and how far it has come."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, LeafledgerError
from leafledger.records.digests import FileDigests
from leafledger.runner.check import checked_study
from leafledger.runner.plan import plan
from leafledger.runner.run import RunResult, run_study
from leafledger.study.rules import rests_on

_SHOWN = frozenset({"intake", "reflectance", "quality"})
_BEFORE_EFFECTS = rests_on("effects") | {"effects"}


def would_run(folder: Path) -> list[dict[str, Any]]:
    """Return the tasks that a run would do now, in the order of the data.

    Raises
    ------
    InputFault
        If the study cannot run at all.
    """
    study = checked_study(folder)
    return [
        {"task": p.task.name, "rule": p.task.rule, "why": p.why, "certain": p.certain}
        for p in plan(study, FileDigests(study.folder))
    ]


def effects_are_older(planned: list[dict[str, Any]]) -> bool:
    """Tell whether effects would change, or may, if the study ran now."""
    return any(p["rule"] in _BEFORE_EFFECTS for p in planned)


def spectra_are_older(planned: list[dict[str, Any]]) -> bool:
    """Tell whether what the review shows would be measured or checked anew."""
    return any(p["rule"] in _SHOWN and p["certain"] for p in planned)


class Rerun:
    """Runs the study beside the page and tells how far it has come.

    Parameters
    ----------
    folder, cores
        Of the study; how many tasks may run side by side.
    """

    def __init__(self, folder: Path, cores: int) -> None:
        self._folder = folder
        self._cores = cores
        self._lock = threading.Lock()
        self._state: dict[str, Any] = {"state": "idle"}

    def start(self) -> bool:
        """Start a run; ``False`` if one is at work."""
        with self._lock:
            if self._state["state"] == "running":
                return False
            self._state = {"state": "running", "planned": 0, "ended": [], "now": "", "message": ""}
        # A daemon: ending the review ends the run too, and the next run goes on from there.
        threading.Thread(target=self._run, name="rerun", daemon=True).start()
        return True

    def progress(self) -> dict[str, Any]:
        """Return how far the run has come."""
        with self._lock:
            return {**self._state, "ended": list(self._state.get("ended", ()))}

    def _run(self) -> None:
        try:
            self._end(run_study(self._folder, self._cores, self._listen))
        except InputFault as fault:
            self._set(state="input_fault", problems=[p.as_dict() for p in fault.problems])
        except (LeafledgerError, OSError, MemoryError) as error:
            self._set(state="failed", message=str(error) or "not enough memory")
        finally:
            if self.progress()["state"] == "running":
                self._set(state="failed", message="the run broke off; the terminal says more")

    def _end(self, result: RunResult) -> None:
        self._set(
            state="done" if result.exit_code == 0 else result.outcome,
            message=result.message,
            problems=[p.as_dict() for p in result.problems],
            notes=result.notes,
        )

    def _set(self, **what: Any) -> None:
        with self._lock:
            self._state = {**self._state, **what}

    def _listen(self, line: dict[str, Any]) -> None:
        with self._lock:
            if "planned" in line:
                self._state["planned"] = len(line["planned"])
            elif line.get("state") == "started":
                self._state["now"] = line["task"]
            elif "state" in line:
                self._state["ended"].append({"task": line["task"], "outcome": line["state"]})
