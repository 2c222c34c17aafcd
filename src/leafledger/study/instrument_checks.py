"""One instrument in a session of counts; named for every leaf scan of a session or for none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from leafledger.errors import Problem, quoted
from leafledger.study.scan_sheet import Scan
from leafledger.study.study import Study


def of_instruments(study: Study) -> Iterator[Problem]:
    """Return what is wrong with the column ``instrument`` of the scan sheet, session by session."""
    for session in study.session_ids:
        scans = [scan for scan in study.scans if scan.session == session]
        if study.form(session).quantity == "counts":
            yield from _several(session, scans)
        yield from _some(session, [scan for scan in scans if scan.role == "sample"])


def _several(session: str, scans: Sequence[Scan]) -> Iterator[Problem]:
    """White, dark, noise and wavelengths belong to one instrument: none can serve another."""
    named = [scan for scan in scans if scan.instrument]
    other = next((scan for scan in named if scan.instrument != named[0].instrument), None)
    if other is not None:
        yield _problem(
            other,
            f"{quoted(other.instrument)} in session {quoted(session)}, of which other scans name "
            f"{quoted(named[0].instrument)}",
            "one instrument in a session of counts: its whites and darks serve its own scans only",
            "Give the scans of each instrument a session of their own, with their own whites and "
            "darks, or hand in reflectance.",
        )


def _some(session: str, samples: Sequence[Scan]) -> Iterator[Problem]:
    empty = next((scan for scan in samples if not scan.instrument), None)
    if empty is not None and any(scan.instrument for scan in samples):
        yield _problem(
            empty,
            f"no instrument, but other leaf scans of session {quoted(session)} name one",
            "the instrument of every leaf scan of a session, or of none",
            "Fill it in.",
        )


def _problem(scan: Scan, found: str, expected: str, mend: str) -> Problem:
    return Problem(
        file=scan.source,
        row=scan.row or None,
        column="instrument",
        found=found,
        expected=expected,
        mend=mend,
    )
