"""The version of this package."""

from __future__ import annotations

import importlib.metadata
from functools import cache
from pathlib import Path

_CHECKOUT = Path(__file__).resolve().parents[3]


@cache
def version() -> str:
    """Return the installed version of leafledger."""
    return importlib.metadata.version("leafledger")


@cache
def commit() -> str | None:
    """Return the git commit of the checkout that this package runs from, ``None`` if installed.

    What ran is told exactly by the code digest of each record: the tree may hold more than the
    commit.
    """
    git = _CHECKOUT / ".git"
    if not (_CHECKOUT / "pyproject.toml").is_file():
        return None
    try:
        if git.is_file():  # a further worktree of the repository
            git = _CHECKOUT / git.read_text(encoding="utf-8").removeprefix("gitdir:").strip()
        head = (git / "HEAD").read_text(encoding="utf-8").strip()
        return _resolved(git, head.removeprefix("ref:").strip()) if ":" in head else head
    except OSError:
        return None


def _resolved(git: Path, name: str) -> str | None:
    common = git / "commondir"
    home = git / common.read_text(encoding="utf-8").strip() if common.is_file() else git
    if (home / name).is_file():
        return (home / name).read_text(encoding="utf-8").strip()
    packed = (home / "packed-refs").read_text(encoding="utf-8").splitlines()
    return next((line.split()[0] for line in packed if line.endswith(f" {name}")), None)
