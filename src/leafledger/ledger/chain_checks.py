"""Does the chain of runs hold: each entry as it was sealed, each following the one it names?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from leafledger.ledger.verdict import Broken, Verdict
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import files_below


def chain_faults(
    book: BookView,
    head: str | None,
    sha256: Callable[[str], str | None],
    damaged: set[str],
    verdict: Verdict,
) -> Iterator[Broken]:
    """Yield what is wrong with the entries of the runs.

    Parameters
    ----------
    book
        The book of runs.
    head
        Digest of the chain's end that was noted down earlier, if any.
    sha256
        Returns the digest of a file of the study.
    damaged
        Gets the ids of the runs whose entries cannot be believed.
    verdict
        Gets the head of the chain and the notes.
    """
    digests: dict[str, str] = {}
    known = {run["run"] for run in book.runs}
    for path in files_below(book.folder / events.RUNS):
        file = path.relative_to(book.folder).as_posix()
        digests[path.stem] = sha256(file) or ""
        run = events.readable(path)
        if path.stem not in known or run is None or run["run"] != path.stem:
            damaged.add(path.stem)
            yield Broken(file, "changed", "is not a run of the chain, or no longer readable")
        elif "seal" not in run and "events" not in run and "commit" not in run:
            verdict.note("runs recorded by an earlier version carry no seal of their own")
        elif not _sealed(path, run):
            damaged.add(path.stem)
            yield Broken(file, "changed", f"the entry of run {path.stem} was changed by hand")
    yield from _links(book, digests, damaged)
    if book.runs:
        verdict.head = digests[book.runs[-1]["run"]]
    if head is not None:
        yield from _against(book, head, digests, verdict)


def _sealed(path: Path, run: events.Run) -> bool:
    """Tell whether a run's file is, to the byte, what was sealed."""
    as_written = events.text_of_run(run).encode("utf-8")
    return events.seal_of(run) == run.get("seal") and path.read_bytes() == as_written


def _links(book: BookView, digests: Mapping[str, str], damaged: set[str]) -> Iterator[Broken]:
    followers: dict[str, str] = {}
    starts = [run["run"] for run in book.runs if run["previous"] is None]
    for again in starts[1:]:
        file = f"{events.RUNS}/{again}.json"
        yield Broken(file, "chain", f"run {again} follows no other though it is not the first")
    for run in book.runs:
        before = run["previous"]
        if before is None:
            continue
        file = f"{events.RUNS}/{before['run']}.json"
        if before["run"] not in digests:
            yield Broken(file, "missing", f"run {run['run']} follows a run that was removed")
        elif digests[before["run"]] != before["sha256"]:
            damaged.add(before["run"])
            what = f"was changed after run {run['run']} had followed it"
            yield Broken(file, "changed", f"the entry of run {before['run']} {what}")
        if before["run"] in followers:
            other = followers[before["run"]]
            file = f"{events.RUNS}/{run['run']}.json"
            yield Broken(file, "chain", f"runs {other} and {run['run']} both follow one run")
        followers[before["run"]] = run["run"]


def _against(
    book: BookView, head: str, digests: Mapping[str, str], verdict: Verdict
) -> Iterator[Broken]:
    at = [run["run"] for run in book.runs if digests[run["run"]] == head]
    if not at:
        what = "no run of the chain has the digest that was noted down: it was written anew"
        yield Broken(events.RUNS, "chain", what)
        return
    ids = [run["run"] for run in book.runs]
    since = len(ids) - 1 - ids.index(at[0])
    runs = {0: "no run has", 1: "1 run has"}.get(since, f"{since} runs have")
    verdict.note(f"the digest noted down is that of run {at[0]}; {runs} followed it")
