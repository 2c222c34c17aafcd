"""One sitting of a review: the study on the desk, what was saved, and whether effects were seen."""

from __future__ import annotations

import datetime as dt
import secrets
import threading
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem
from leafledger.review import decision_file, evidence, groups
from leafledger.review.blinding import Blind, blind_of
from leafledger.review.decision_file import Asked
from leafledger.review.rerun import Rerun, effects_are_older, spectra_are_older, would_run
from leafledger.review.shown_after import with_and_without
from leafledger.study.links import refuse_links
from leafledger.study.reading import read_study
from leafledger.study.scan_sheet import DECISIONS_FILE, Scan, standing
from leafledger.study.study import Study

AFTER_EFFECTS = " (decided after the effect was seen)"


class Desk:
    """What the page asks for and what it may do.

    Parameters
    ----------
    folder
        The study folder.
    reviewer
        Name to begin with.
    cores
        How many tasks a rerun may do side by side.

    Raises
    ------
    InputFault
        If the study has problems or has not been run.
    """

    def __init__(self, folder: Path, reviewer: str = "", cores: int = 1) -> None:
        self.folder = folder.resolve()
        self.reviewer = reviewer
        self.rerun = Rerun(self.folder, cores)
        self.effects_seen = False
        self._lock = threading.Lock()
        self._saves: dict[str, tuple[bytes, ...]] = {}
        self._has_saved = False
        self.study = self._opened()

    def _opened(self) -> Study:
        refuse_links(self.folder)
        study = read_study(self.folder)
        evidence.refuse_unless_run(study)
        return study

    def overview(self) -> dict[str, Any]:
        """Return the study as it is now: its groups in order, and what stands to be known."""
        self.study = study = self._opened()
        known = self._known(study, _noted(study))
        title = study.definition.title or study.folder.name
        leaves, references = groups.leaf_groups(study), groups.reference_groups(study)
        return {
            "title": "" if known.blind.tells(title) else title,
            "unit": study.definition.design.unit or "leaf",
            "reviewer": self.reviewer,
            "effects_seen": self.effects_seen,
            "can_show_effects": self._has_saved,
            "notices": [*_told_by_names(study, known.blind), *self._stale()],
            "references": [groups.summary(k, v, known) for k, v in references.items()],
            "groups": [groups.summary(k, v, known) for k, v in leaves.items()],
        }

    def leaves(self, session: str, unit: str) -> dict[str, Any] | None:
        """Return a group of leaves; ``None`` if there is none of that name."""
        study = self.study
        scans = groups.leaf_groups(study).get((session, unit))
        if scans is None:
            return None
        measured = evidence.reflectance_of(study, session)
        return groups.leaf_view(
            scans, measured, self._known(study, scans), evidence.trusted_range(study)
        )

    def references(self, session: str, role: str) -> dict[str, Any] | None:
        """Return the references of one role; ``None`` if there are none."""
        study = self.study
        scans = groups.reference_groups(study).get((session, role))
        if scans is None:
            return None
        return groups.reference_view(scans, evidence.raw_of(study, session), self._known(study, ()))

    def save(self, by: str, asked: Sequence[Asked]) -> dict[str, Any]:
        """Write decisions.

        Raises
        ------
        InputFault
            If one cannot be written as it is; nothing is written then.
        """
        if self.effects_seen:
            asked = [
                replace(one, reason=one.reason and one.reason + AFTER_EFFECTS) for one in asked
            ]
        when = dt.datetime.now().isoformat(timespec="seconds")
        saved = decision_file.save(self.folder, self._samples(), asked, by, when)
        name = secrets.token_hex(8)
        with self._lock:
            if saved.lines:
                self._saves[name] = saved.lines
                self._has_saved = True
        return {
            "save": name if saved.lines else None,
            "written": [asdict(decision) for decision in saved.written],
            "conflicts": [
                {"scan": scan, "standing": asdict(standing) if standing else None}
                for scan, standing in saved.conflicts.items()
            ],
        }

    def undo(self, save: str) -> dict[str, Any]:
        """Take a save back; its rows leave the file.

        Raises
        ------
        InputFault
            If there is no such save, the effect was seen since, or its rows were changed.
        """
        if self.effects_seen:
            raise InputFault(
                _refusal(
                    "a save that is to be taken back after the effect was seen",
                    "decisions that stay once their effect is known",
                    "Decide anew with a reason; both rows stay in the file.",
                )
            )
        with self._lock:
            lines = self._saves.get(save)
        if lines is None:
            raise InputFault(
                _refusal(
                    "a save that this review did not make",
                    "a save of this sitting",
                    "Decide anew, or edit the file by hand.",
                )
            )
        decision_file.take_back(self.folder, lines)
        with self._lock:
            self._saves.pop(save, None)
        return {"taken_back": len(lines)}

    def planned(self) -> dict[str, Any]:
        """Return which stages would run now and why."""
        return {"planned": would_run(self.folder)}

    def effects(self) -> dict[str, Any]:
        """Return the result with and without the exclusions; from then on decisions say so.

        Raises
        ------
        InputFault
            If nothing was saved in this sitting, or the results are older than the decisions.
        """
        if not self._has_saved:
            raise InputFault(
                _refusal(
                    "no decision saved in this sitting",
                    "decisions first, their effect afterwards",
                    "Save your decisions; the effect is hidden until then.",
                )
            )
        if effects_are_older(would_run(self.folder)):
            raise InputFault(
                _refusal(
                    "results that are older than the decisions",
                    "results of the decisions as they are now",
                    "Run the study again, here or with leafledger run.",
                )
            )
        self.effects_seen = True
        return with_and_without(self.study)

    def _stale(self) -> list[str]:
        if self.rerun.progress()["state"] == "running":
            return ["A run is at work: what is shown is that of the run before."]
        if not spectra_are_older(would_run(self.folder)):
            return []
        return [
            "Raw files, settings or the program changed since the last run, and what is shown here "
            "may change with them: run the study first."
        ]

    def _samples(self) -> set[str]:
        return {scan.scan for scan in self.study.samples()}

    def _known(self, study: Study, looked_at: Iterable[Scan]) -> groups.Known:
        samples = {scan.scan for scan in study.samples()}
        return groups.Known(
            said=evidence.said_of(study),
            accepted=evidence.accepted_now(study),
            decisions=decision_file.standing_now(self.folder, samples),
            digests=evidence.digests_of(study, looked_at),
            notes=evidence.notes_of(study),
            blind=blind_of(study),
        )


def _noted(study: Study) -> list[Scan]:
    """Return the scans whose decision says which raw values it judged."""
    decisions = standing(study.decisions)
    return [s for s in study.samples() if s.scan in decisions and decisions[s.scan].scan_sha256]


def _told_by_names(study: Study, blind: Blind) -> list[str]:
    units = dict.fromkeys(study.unit_of(scan) for scan in study.samples())
    scans = [scan.scan for scan in study.samples()]
    names = blind.telling([*units, *scans])
    if not names:
        return []
    return [
        f"{len(names)} ids of units or scans name a treatment (such as {names[0]}): this review "
        "is not blind. Ask someone who does not know what the names mean."
    ]


def _refusal(found: str, expected: str, mend: str) -> Problem:
    return Problem(file=DECISIONS_FILE, found=found, expected=expected, mend=mend)
