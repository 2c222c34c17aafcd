"""Links in the places where a study is written: refused, so that no other folder is touched.

A study may come from a stranger. Through a link in its results or books, files of another folder
would be overwritten or deleted.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path, PurePath

from leafledger.errors import InputFault, Problem, bounded, quoted

WRITTEN = ("results", "records", "logs", "ledger", ".snakemake")
"""Folders of a study that the program writes to and deletes from."""
_REPLACED = ("results", "records")
"""Of these, where every file is written anew under its name, never into what a link leads to."""
_DECISIONS = "decisions.csv"
_LONGEST_PATH = 200


def link_problems(folder: Path) -> list[Problem]:
    """Return a problem for each link through which a command would write or delete elsewhere.

    Two kinds of links to a file of the study itself are none: ``decisions.csv``, and those below
    ``results`` and ``records``, which are replaced.
    """
    root = Path(os.path.realpath(folder))
    links = sorted(link for name in (*WRITTEN, _DECISIONS) for link in _links(root / name))
    reasons = [(link.relative_to(root), _why_refused(root, link)) for link in links]
    return bounded([_problem(name.as_posix(), why) for name, why in reasons if why])


def refuse_links(folder: Path) -> None:
    """Refuse a study in which a command would write or delete through a link.

    Raises
    ------
    InputFault
        With a problem for each such link.
    """
    if found := link_problems(folder):
        raise InputFault(found)


def leaves_the_study(path: str) -> bool:
    r"""Tell whether a path that was read from a file is none below the study folder.

    Paths of records and runs are written relative to it, without ``..``. A study from a stranger
    may hold others, by which files of another folder would be read or written over.

    Examples
    --------
    >>> leaves_the_study("results/effects.csv"), leaves_the_study("raw/day 0/p01..txt")
    (False, False)
    >>> [leaves_the_study(p) for p in ("../victim", "raw/../../victim", "/victim", "", ".", "a\\b")]
    [True, True, True, True, True, True]
    """
    pure = PurePath(path)
    odd = pure.is_absolute() or pure.drive or ".." in pure.parts or "\\" in path or "\0" in path
    return bool(odd) or not pure.parts


def is_plain_name(text: str) -> bool:
    """Tell whether ``text`` can be the name of one file, in no other folder than asked for.

    Examples
    --------
    >>> is_plain_name("reflectance.day4"), is_plain_name("a/b"), is_plain_name("..")
    (True, False, False)
    """
    return not leaves_the_study(text) and "/" not in text


def not_through_a_link(path: Path) -> Path:
    """Return ``path`` if neither it nor any folder above it is a link, judged at this moment.

    Links above the study are no matter: the study folder is resolved when it is read.

    Raises
    ------
    InputFault
        If one of them is a link.
    """
    asked = Path(os.path.normpath(path.absolute()))
    if os.path.realpath(asked) == str(asked):
        return path
    link = next((place for place in reversed(asked.parents) if place.is_symlink()), asked)
    raise InputFault(_problem(link.as_posix(), f"a link to {_shown(os.path.realpath(link))}"))


def remove_file(path: Path) -> None:
    """Remove a file if it is there; never one of another folder, through a link above it."""
    not_through_a_link(path.parent)
    path.unlink(missing_ok=True)


def remove_folder(path: Path) -> None:
    """Remove a folder, as far as it can be removed; never through a link."""
    shutil.rmtree(not_through_a_link(path), ignore_errors=True)


def _links(place: Path) -> Iterator[Path]:
    """Yield every link at or below a place; none is followed."""
    if place.is_symlink():
        yield place
        return
    waiting = [str(place)]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as entries:
                for entry in entries:
                    if entry.is_symlink():
                        yield Path(entry.path)
                    elif entry.is_dir():
                        waiting.append(entry.path)
        except (FileNotFoundError, NotADirectoryError, PermissionError):
            continue  # no folder, or a closed one: judged again at the moment of writing


def _why_refused(root: Path, link: Path) -> str | None:
    """Return what is wrong with a link, ``None`` if nothing comes of it."""
    leads_to = Path(os.path.realpath(link))
    if leads_to.is_symlink():
        return "a link that leads back to itself"
    if not leads_to.is_relative_to(root):
        return f"a path that leaves the study folder: a link to {_shown(leads_to)}"
    top, *below = link.relative_to(root).parts
    if top == _DECISIONS or (top in _REPLACED and below and leads_to.is_file()):
        return None
    inside = _shown(leads_to.relative_to(root))
    return f"a link to {inside}, where other files would be written over or deleted"


def _shown(place: str | Path) -> str:
    return quoted(str(place), _LONGEST_PATH)


def _problem(file: str, found: str) -> Problem:
    return Problem(
        file=file.encode("utf-8", "replace").decode("utf-8"),
        found=found,
        expected="a file or folder of the study's own: leafledger writes and deletes there",
        mend="Remove the link itself (what it leads to stays as it is), or put a copy of what it "
        "leads to in its place. Then try again.",
    )
