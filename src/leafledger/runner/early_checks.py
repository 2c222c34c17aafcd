"""What would stop a run or mislead its reader, seen before anything is computed.

Folders of results that are no folders, the table of the panel, and dates of sessions.
"""

from __future__ import annotations

import datetime as dt
import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from leafledger.errors import InputFault, Problem
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.rules import LOGS, RECORDS, RESULTS
from leafledger.study.scan_sheet import Scan
from leafledger.study.study import Study
from leafledger.study.tasks import outputs, tasks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_FOLDERS = (RESULTS, RECORDS, "ledger", LOGS)
_NEAR_DAYS = 1
_MIDDLE = 0.25
_ROUNDING = 1e-9


def blocked_places(study: Study) -> Iterator[Problem]:
    """Yield a problem for each file where a folder of results belongs, and the other way round."""
    paths = [path.rstrip("/") for task in tasks(study) for path in outputs(task).values()]
    parents = {parent for path in paths for parent in _parents(path)}
    folders = {path for path in paths if not PurePosixPath(path).suffix}
    for name in dict.fromkeys((*_FOLDERS, *sorted(parents | folders))):
        place = study.folder / name
        if place.exists() and not place.is_dir() and not place.is_symlink():
            yield Problem(
                file=name,
                found="a file",
                expected="a folder, or nothing: the results are written there",
                mend="Give it another name, or move it elsewhere.",
            )
    for path in sorted(set(paths) - folders):
        if (study.folder / path).is_dir():
            yield Problem(
                file=path,
                found="a folder",
                expected="a file of results, or nothing",
                mend="Give it another name, or move it elsewhere.",
            )


def _parents(path: str) -> list[str]:
    return [str(parent) for parent in PurePosixPath(path).parents][:-1]


def panel_problems(study: Study, axes: Iterable[NDArray[np.float64]]) -> list[Problem]:
    """Return what is wrong with the table of the white panel, too short a range included.

    Parameters
    ----------
    study
        The study.
    axes
        Wavelengths of the sessions of counts whose raw files have been read, nm. Without any, the
        range is that of the stated grid.
    """
    import numpy as np

    from leafledger.reflectance.panel import read_panel, too_short

    name = study.panel_table
    if name is None or not (study.folder / name).is_file():
        return []  # no table, or one whose path is refused already
    try:
        at, _, _ = read_panel(study.folder / name, name)
    except InputFault as fault:
        return list(fault.problems)
    grid = study.definition.reflectance.grid
    measured = [(float(axis[0]), float(axis[-1])) for axis in axes]
    if isinstance(grid, str):
        if not measured:
            return []
        low = min(first for first, _ in measured)
        high = max(last for _, last in measured)
    else:
        n_steps = math.floor((grid.stop_nm - grid.start_nm) / grid.step_nm + _ROUNDING)
        low, high = grid.start_nm, grid.start_nm + n_steps * grid.step_nm
    needed = np.array([low, high])
    return [too_short(name, at, needed)] if at[0] > low or at[-1] < high else []


def dates_to_ask_about(study: Study) -> list[str]:
    """Return a question for each session whose date is not that of its scans.

    The date of the scans is the median of their days; a difference of one day may be a
    measurement that went on past midnight.
    """
    asked = []
    for session in study.sessions:
        days = [
            dt.datetime.fromisoformat(scan.time).date().toordinal()
            for scan in study.scans
            if scan.session == session.session and scan.time is not None
        ]
        if session.date is None or not days:
            continue
        scanned = dt.date.fromordinal(int(statistics.median_low(days)))
        apart = (scanned - session.date).days
        if abs(apart) > _NEAR_DAYS:
            asked.append(
                f"session {session.session} is dated {session.date}, and its scans were taken on "
                f"{scanned}, {abs(apart)} days {'later' if apart > 0 else 'earlier'}: correct "
                "design.sessions in study.yaml or the times of the scans, whichever is wrong"
            )
    return asked


def swapped_references(
    study: Study, session: str, scans: Sequence[Scan], counts: NDArray[np.float64]
) -> list[Problem]:
    """Return a problem if the whites of a session stand below its darks.

    Compared are medians over the middle half of the axis: the brightest white with the faintest
    dark, so that no other fault of some of them can look like a swap of all.

    Parameters
    ----------
    study
        The study.
    session
        The session.
    scans
        Its scans.
    counts
        Their raw values in the same order, shape ``(n_scans, n_wavelengths)``.
    """
    import numpy as np

    n = counts.shape[1]
    middle = counts[:, int(n * _MIDDLE) : max(int(n * (1 - _MIDDLE)), int(n * _MIDDLE) + 1)]
    levels = np.median(middle, axis=1)
    at = {role: [i for i, s in enumerate(scans) if s.role == role] for role in ("white", "dark")}
    if not at["white"] or not at["dark"]:
        return []
    white, dark = float(levels[at["white"]].max()), float(levels[at["dark"]].min())
    if white >= dark:
        return []
    by_pattern = bool(study.definition.intake.pattern)
    return [
        Problem(
            file=STUDY_FILE if by_pattern else study.definition.intake.sheet,
            column="intake.pattern" if by_pattern else "role",
            found=f"whites below darks in session {session}: swapped? The brightest "
            f"white at {white:.6g} counts, the faintest dark at {dark:.6g}",
            expected="whites far above darks",
            mend="White and dark are swapped: exchange the two roles.",
        )
    ]
