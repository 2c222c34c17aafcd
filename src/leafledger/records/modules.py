"""What one module of this package says and imports, remembered beside Python's own bytecode."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from leafledger.study.tables import canonical_json, write_text

_MOST = 2_000
"""Modules to remember; the package has some hundreds."""
_READER = f"{sys.version} {hashlib.sha256(Path(__file__).read_bytes()).hexdigest()}"
"""What read them: another Python, or another version of this file, may see them otherwise."""


@dataclass(frozen=True)
class Module:
    """What a module is made of.

    Attributes
    ----------
    sha256
        Over the syntax tree, comments and docstrings left out.
    imports
        The dotted names that it imports anywhere, in order.
    """

    sha256: str
    imports: tuple[str, ...]


class Modules:
    """Modules by their content: each is parsed once per Python, not once per process.

    What was parsed is kept in ``__pycache__``. In an installation that may not be written to, every
    process parses for itself.
    """

    def __init__(self) -> None:
        self._file = _remembered_file()
        self._known = self._read()
        self._new = False

    def read(self, path: Path) -> Module:
        """Return the module in the file at ``path``."""
        source = path.read_bytes()
        digest = hashlib.sha256(source).hexdigest()
        if digest not in self._known:
            self._known[digest] = _parsed(source)
            self._new = True
        return self._known[digest]

    def save(self) -> None:
        """Remember what was parsed for the processes to come."""
        if not self._new or self._file is None:
            return
        kept = self._read() | self._known  # another process may have written meanwhile
        if len(kept) > _MOST:
            kept = self._known  # what was edited away long ago
        modules = {digest: [known.sha256, *known.imports] for digest, known in kept.items()}
        try:
            write_text(self._file, canonical_json({"reader": _READER, "modules": modules}) + "\n")
        except OSError:
            self._file = None  # an installation that may not be written to: nothing is remembered
        self._new = False

    def _read(self) -> dict[str, Module]:
        if self._file is None:
            return {}
        try:
            known = json.loads(self._file.read_text(encoding="utf-8"))
            if known["reader"] != _READER:
                return {}
            return {
                digest: Module(sha256, tuple(imports))
                for digest, (sha256, *imports) in known["modules"].items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}  # none yet, or damaged: parsed anew


def _remembered_file() -> Path | None:
    try:
        bytecode = importlib.util.cache_from_source(__file__)
    except NotImplementedError:
        return None  # a Python that keeps no bytecode: every process parses for itself
    return Path(bytecode).resolve().with_suffix(".json")


def _parsed(source: bytes) -> Module:
    tree = ast.parse(source)
    imports = tuple(dict.fromkeys(_imports(tree)))
    _drop_docstrings(tree)
    text = ast.dump(tree, annotate_fields=False)
    return Module(hashlib.sha256(text.encode("utf-8")).hexdigest(), imports)


def _imports(tree: ast.Module) -> Iterator[str]:
    for node in _statements(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _statements(tree: ast.Module) -> Iterator[ast.AST]:
    """Yield the module and all its statements; expressions hold neither imports nor docstrings."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        yield node
        for name in ("body", "orelse", "finalbody", "handlers", "cases"):
            inner = getattr(node, name, None)
            if isinstance(inner, list):
                waiting += inner


def _drop_docstrings(tree: ast.Module) -> None:
    for node in list(_statements(tree)):
        if not isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        first = node.body[0] if node.body else None
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
            node.body = node.body[1:]
