"""The study folder during a run: one run at a time, and what earlier runs left behind."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from leafledger.errors import InputFault, Problem
from leafledger.ledger.view import BookView
from leafledger.platforms import lock_file
from leafledger.records.record import read_record
from leafledger.records.store import ContentStore
from leafledger.runner.lease import Lease, holder_elsewhere, take_lease, this_machine
from leafledger.runner.scheduler import still_queued
from leafledger.study.rules import LOGS, RECORDS, RESULTS
from leafledger.study.study import FROM_THE_BOOK, Study, outputs, tasks
from leafledger.study.table_files import (
    WRITTEN,
    link_problems,
    not_through_a_link,
    remove_file,
    remove_folder,
)

# --- one run at a time ----------------------------------------------------------------------------

_FILE = "ledger/lock"


class HeldStudy:
    """A study that this process holds, until it is let go or the process ends.

    Parameters
    ----------
    handle
        The locked file: the kernel lets it go with the process, however that ends.
    lease
        What other machines see; ``None`` on a full disk.
    """

    def __init__(self, handle: IO[str], lease: Lease | None) -> None:
        self._handle, self.lease = handle, lease

    @property
    def token(self) -> str | None:
        """What jobs on other machines carry; ``None`` without a lease."""
        return None if self.lease is None else self.lease.token

    @property
    def lost(self) -> bool:
        """Whether another machine has taken the study, as after this one stood still for long."""
        return self.lease is not None and self.lease.lost

    def name_run(self, run: str) -> None:
        """Name the run that is at work, for others."""
        if self.lease is not None:
            self.lease.name_run(run)

    def let_go(self) -> None:
        """Let the study go."""
        if self.lease is not None:
            self.lease.release()
        self._handle.close()


@contextmanager
def study_lock(folder: Path) -> Iterator[HeldStudy]:
    """Hold the study for the block.

    Raises
    ------
    InputFault
        If another run holds it, jobs of a run that has died are at work on it, a folder of it
        cannot be written to, or a link leads out of it.
    """
    held = hold_study(folder)
    try:
        yield held
    finally:
        held.let_go()


def is_held(folder: Path) -> bool:
    """Tell whether a run is at work on the study now, on this machine or on another."""
    try:
        with (folder / _FILE).open() as handle:
            lock_file(handle, wait=False, shared=True)
    except BlockingIOError:
        return True
    except OSError:
        pass  # never held on this machine
    return holder_elsewhere(folder) is not None


def hold_study(folder: Path) -> HeldStudy:
    """Hold the study: lock a file for this machine, and take the lease for all others.

    Raises
    ------
    InputFault
        If another run holds it, jobs of a run that has died are at work on it, a folder of it
        cannot be written to, or a link leads out of it.
    """
    folder = folder.resolve()
    if problems := [*link_problems(folder), *_closed_folders(folder)]:
        raise InputFault(problems)
    path = not_through_a_link(folder / _FILE)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+")
    except OSError as error:
        raise InputFault(_not_writable(error)) from error
    try:
        lock_file(handle, wait=False)
        lease = take_lease(
            folder, this_machine(), alone_here=True, queued=lambda: still_queued(folder)
        )
        return HeldStudy(handle, lease)
    except InputFault:
        handle.close()
        raise
    except BlockingIOError as error:
        handle.close()
        raise InputFault(
            Problem(
                file=_FILE,
                found="another run at work on this study",
                expected="one run at a time",
                mend="Wait until it has ended; `leafledger status` says whether it has.",
            )
        ) from error
    except OSError as error:
        handle.close()
        raise InputFault(_not_writable(error)) from error


def _not_writable(error: OSError) -> Problem:
    return Problem(
        file=".",
        found=f"a study folder that cannot be written to ({error.strerror})",
        expected="a folder in which results/ and ledger/ can be made",
        mend="Copy the study to a folder of your own, or ask for the right to write.",
    )


def _closed_folders(folder: Path) -> list[Problem]:
    """Return a problem for each folder of results or books that is there and cannot be written."""
    if not os.access(folder / "ledger" if (folder / "ledger").is_dir() else folder, os.W_OK):
        return []  # told as a whole, by what cannot be opened in it
    top = [folder / name for name in WRITTEN if (folder / name).is_dir()]
    listed = [subfolder for subfolder in top if os.access(subfolder, os.R_OK | os.X_OK)]
    below = [
        child for subfolder in listed for child in sorted(subfolder.glob("*")) if child.is_dir()
    ]
    return [
        Problem(
            file=subfolder.relative_to(folder).as_posix(),
            found="a folder that cannot be written to",
            expected="folders of results and books that leafledger may write to",
            mend="Give yourself the right to write to it (and to what it holds), then run again.",
        )
        for subfolder in [*top, *below]
        if not os.access(subfolder, os.W_OK | os.X_OK)
    ]


# --- what earlier runs left behind ----------------------------------------------------------------


def sweep_temporaries(folder: Path) -> None:
    """Remove what an interrupted run left half-written."""
    for name in (RESULTS, RECORDS, "ledger", LOGS):
        for path in (folder / name).rglob(".*.tmp"):
            if path.is_dir():
                remove_folder(path)
            else:
                remove_file(path)


def remove_orphans(study: Study) -> list[str]:
    """Remove results of tasks that the study no longer asks for, so that none pass as current.

    Only files that a record of such a task names are removed: a session that was taken out, a
    classifier no longer wanted. The content store keeps them for going back.

    Returns
    -------
    list of str
        What the user should know.
    """
    folder = study.folder
    kept = [*tasks(study), *FROM_THE_BOOK]
    kept_records = {task.record for task in kept}
    owned = {path for task in kept for path in outputs(task).values()}
    removed = []
    for path in sorted((folder / RECORDS).glob("*.json")):
        if f"{RECORDS}/{path.name}" in kept_records:
            continue
        record = read_record(path)
        if record is not None:
            ContentStore(folder).set_aside(record)
        for output in record["outputs"] if record else []:
            output_file = folder / output["path"]
            inside = output_file.resolve().is_relative_to((folder / RESULTS).resolve())
            if inside and output["path"] not in owned:
                remove_file(output_file)
        remove_file(path)
        removed.append(path.stem)
    if not removed:
        return []
    _remove_empty_folders(folder / RESULTS)
    if study.variant is not None:
        return []  # what the study as stated asks for is put back after its variants
    named = ", ".join(removed[:6]) + (f" and {len(removed) - 6} more" if len(removed) > 6 else "")
    return [f"removed results that the study no longer asks for: {named}"]


def trim_store(study: Study) -> list[str]:
    """Keep the content store within the study's bound; return what the user should know.

    Results that the study and its variants rest on are thrown away last: one run through them
    reads all of these again.
    """
    store = ContentStore(study.folder)
    most = int(study.definition.tracking.store_gb * 1e9)
    trimmed = store.trim(most, last=_shared_keys(study))
    if not trimmed["removed_last"] or not study.definition.variants:
        return []
    return [
        f"the variants and the study take more than tracking.store_gb ({most / 1e9:g} GB) holds: "
        f"{trimmed['removed_last']} of their results will be computed again"
    ]


def _shared_keys(study: Study) -> set[str]:
    """Return the keys of what stands in place and in the newest finished run of each variant."""
    if not study.definition.variants:
        return set()
    book = BookView(study.folder)
    newest = {r.get("variant"): r for r in book.runs if r["outcome"] == "done"}
    return {
        str(record["key"])
        for variant, run in newest.items()
        if variant is None or variant in study.definition.variants
        for record in book.records_of(run).values()
    }


def _remove_empty_folders(root: Path) -> None:
    for path in sorted(root.rglob("*"), reverse=True):
        if path.is_dir() and not any(path.iterdir()):
            not_through_a_link(path).rmdir()
