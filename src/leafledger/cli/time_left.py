"""How much of a run is done and how long the rest will take, from how long tasks took before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from leafledger.records.events import EVENTS, events_of

_RUNS_LOOKED_AT = 6
_TYPICAL_S = {
    "intake": 4.0,
    "reflectance": 4.0,
    "quality": 6.0,
    "acceptance": 4.0,
    "indices": 4.0,
    "validation": 13.0,
    "unit_means": 3.0,
    "effects": 20.0,
    "classes": 40.0,
    "rivals": 40.0,
    "negative_controls": 30.0,
    "report": 60.0,
}
"""From a run of the demo study on a busy machine; only their proportions count."""
_OTHERWISE_S = 4.0


def seconds_before(folder: Path) -> dict[str, float]:
    """Return task -> seconds that it took when it was last computed in a study."""
    place = folder / EVENTS
    runs = sorted((p.name for p in place.iterdir()), reverse=True) if place.is_dir() else []
    found: dict[str, float] = {}
    for run in runs[:_RUNS_LOOKED_AT]:
        for event in events_of(folder, run):
            if event["outcome"] == "done":
                found.setdefault(str(event["task"]), float(event["seconds"]))
    return found


class Forecast:
    """Weighs the tasks of a run by how long they take, and tells the time left from its pace.

    Parameters
    ----------
    tasks
        Names of the tasks to come.
    before
        Task -> seconds that it took before, as far as it is known.
    """

    def __init__(self, tasks: Sequence[str], before: Mapping[str, float]) -> None:
        self._weights = {
            task: max(before.get(task, _TYPICAL_S.get(task.split(".")[0], _OTHERWISE_S)), 0.1)
            for task in tasks
        }
        self._done = 0.0
        self._told_at: float | None = None
        self._left = 0.0

    @property
    def share(self) -> float:
        """Share done, 0 to 1."""
        total = self._done + sum(self._weights.values())
        return self._done / total if total else 1.0

    def end(self, task: str, computed: bool, elapsed: float) -> None:
        """Take in that a task has ended.

        Parameters
        ----------
        task
            Its name.
        computed
            Whether it was computed; one that was restored takes no time, and tells no pace.
        elapsed
            Seconds since the run began.
        """
        weight = self._weights.pop(task, 0.0)
        if computed:
            self._done += weight
        if self._done:
            self._told_at = elapsed
            self._left = elapsed * sum(self._weights.values()) / self._done

    def left(self, elapsed: float) -> float | None:
        """Return the seconds left, ``None`` while nothing tells the pace."""
        if self._told_at is None:
            return None
        return max(self._left - (elapsed - self._told_at), 0.0)


def in_words(seconds: float | None) -> str:
    """Return the time left in words, no finer than such a guess is.

    Examples
    --------
    >>> [in_words(s) for s in (None, 3.0, 41.0, 100.0, 4000.0)]
    ['', 'nearly done', '50 s left', '2 min left', '67 min left']
    """
    if seconds is None:
        return ""
    if seconds < 5:
        return "nearly done"
    if seconds < 90:
        return f"{-(-seconds // 10) * 10:.0f} s left"
    return f"{seconds / 60:.0f} min left"
