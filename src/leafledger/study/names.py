"""Ids, labels and paths: what may be a name, and what is refused."""

from __future__ import annotations

import re
from pathlib import Path

from leafledger.study.field_types import ID_PATTERN, LABEL_PATTERN
from leafledger.study.field_types import ID_WORDS as ID_WORDS

_ID = re.compile(ID_PATTERN)
_LABEL = re.compile(LABEL_PATTERN)


def is_id(text: str) -> bool:
    r"""Tell whether ``text`` may name a scan, session, unit, leaf, replicate or index.

    Examples
    --------
    >>> is_id("d0-p01-1"), is_id("d0;touch x"), is_id("=1"), is_id("a\n")
    (True, False, False, False)
    """
    return _ID.fullmatch(text) is not None and "\n" not in text


def is_label(text: str) -> bool:
    """Tell whether ``text`` may name a treatment, block or factor level."""
    return _LABEL.fullmatch(text) is not None and text.isprintable()


def as_id(text: str) -> str:
    """Return ``text`` with all that an id may not hold turned into ``-``.

    Examples
    --------
    >>> as_id("Leaf 3/left.txt")
    'Leaf-3-left-txt'
    """
    out = re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-_")[:64]
    return out or "x"


class PathCheck:
    """Checks that paths of a sheet stay inside the study folder, links resolved."""

    def __init__(self, folder: Path) -> None:
        self.root = folder.resolve()
        self._parents: dict[Path, bool] = {}

    def why_refused(self, text: str) -> str | None:
        """Return what is wrong with the path ``text``, or ``None`` if it is a file inside."""
        if text.startswith("/") or "\\" in text or ".." in text.split("/") or ":" in text[:3]:
            return "a path that is absolute, has .. or \\ in it"
        if any(not c.isprintable() for c in text):
            return "a path with a control character"
        path = self.root / text
        try:
            parent = path.parent
            if parent not in self._parents:
                self._parents[parent] = parent.resolve().is_relative_to(self.root)
            outside = not self._parents[parent]
            if not outside and path.is_symlink():
                outside = not path.resolve().is_relative_to(self.root)
            if outside:
                return "a path that leaves the study folder"
            if not path.exists():
                return "no such file"
            return None if path.is_file() else "a folder or a special file, not a plain one"
        except RuntimeError:
            return "a link that leads back to itself"
        except OSError as error:
            return f"a path that cannot be opened ({(error.strerror or 'unknown').lower()})"
        except ValueError:
            return "a path that cannot be opened"
