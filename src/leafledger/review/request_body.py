"""What the page sends, as what was asked: every form but ours is refused."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from leafledger.errors import InputFault, Problem
from leafledger.review.decision_file import Asked
from leafledger.study.scan_sheet import DECISIONS_FILE


def asked_from(body: Mapping[str, Any]) -> tuple[str, list[Asked]]:
    """Return who decides and what, from the body of a request.

    Raises
    ------
    InputFault
        If the body is not of that form.
    """
    entries = body.get("decisions")
    by = body.get("by")
    if not isinstance(by, str) or not isinstance(entries, list):
        raise InputFault(_refusal("a body without by and decisions", "both"))
    return by, [_asked(entry) for entry in entries]


def _asked(entry: Any) -> Asked:
    if isinstance(entry, dict):
        scan, action, reason = (entry.get(name) for name in ("scan", "action", "reason"))
        seen, digest = entry.get("seen"), entry.get("scan_sha256", "")
        fits = seen is None or (
            isinstance(seen, dict) and all(isinstance(v, str) for v in seen.values())
        )
        words = all(isinstance(one, str) for one in (scan, action, reason, digest))
        if fits and words:
            return Asked(str(scan), str(action), str(reason), seen, str(digest))
    raise InputFault(_refusal("a decision of another form", "scan, action, reason and seen"))


def _refusal(found: str, expected: str) -> Problem:
    return Problem(file=DECISIONS_FILE, found=found, expected=expected, mend="Reload the page.")
