"""A digest of the code that a rule runs: its module and all it imports from this package."""

from __future__ import annotations

import hashlib
import importlib.metadata
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from leafledger.records.modules import Modules

PACKAGE = "leafledger"
_ROOT = Path(__file__).resolve().parent.parent
_BOOKKEEPING = tuple(f"{PACKAGE}.{name}" for name in ("records", "ledger", "cli", "runner"))
_DISTRIBUTION = {"yaml": "pyyaml", "sklearn": "scikit-learn"}
_MODULES = Modules()


@dataclass(frozen=True)
class Code:
    """What a rule is made of.

    Attributes
    ----------
    sha256
        Over the syntax trees (comments and docstrings left out) and data files of every module
        of this package in the rule's import graph, bookkeeping left out.
    libraries
        Name -> installed version of the libraries imported in that graph.
    """

    sha256: str
    libraries: dict[str, str]


@cache
def code_of(module: str) -> Code:
    """Return the code digest of a stage module, such as ``leafledger.indices.stage``."""
    digest = hashlib.sha256()
    libraries: set[str] = set()
    folders: set[Path] = set()
    for name in _graph(module):
        own, _, outside = _module(name)
        digest.update(f"{name}\0{own}\0".encode())
        libraries |= outside
        folders.add(_path(name).parent)
    _MODULES.save()
    for folder in sorted(folders - {_ROOT}):
        for path in _data_files(folder):
            digest.update(f"{path.relative_to(_ROOT).as_posix()}\0".encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return Code(digest.hexdigest(), {name: _version(name) for name in sorted(libraries)})


def digest_of_modules(*names: str) -> str:
    """Return a digest of the syntax trees of modules of this package, without what they import."""
    digest = hashlib.sha256()
    for name in names:
        digest.update(f"{name}\0{_module(name)[0]}\0".encode())
    return digest.hexdigest()


def _graph(module: str) -> list[str]:
    found: set[str] = set()
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name in found or name.startswith(_BOOKKEEPING):
            continue
        found.add(name)
        waiting += _module(name)[1]
    return sorted(found)


@cache
def _module(name: str) -> tuple[str, tuple[str, ...], frozenset[str]]:
    """Return digest, imported modules of this package and imported libraries of one module."""
    module = _MODULES.read(_path(name))
    own: set[str] = set()
    outside: set[str] = set()
    for imported in module.imports:
        package = imported.split(".")[0]
        if package == PACKAGE:
            resolved = _resolved(imported)
            if resolved:
                own.add(resolved)
        elif package not in sys.stdlib_module_names:
            outside.add(package)
    return module.sha256, tuple(sorted(own)), frozenset(outside)


@cache
def _resolved(dotted: str) -> str | None:
    """Return the module that ``dotted`` names, itself or as an attribute of its parent."""
    parts = dotted.split(".")
    for end in (len(parts), len(parts) - 1):
        name = ".".join(parts[:end])
        if end > 1 and _path(name).is_file():
            return name
    return None


def _path(name: str) -> Path:
    base = _ROOT.joinpath(*name.split(".")[1:])
    package = base / "__init__.py"
    return package if package.is_file() else base.with_suffix(".py")


def _data_files(folder: Path) -> list[Path]:
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file() and path.suffix not in {".py", ".pyc", ".typed"}
    )


@cache
def _version(library: str) -> str:
    return importlib.metadata.version(_DISTRIBUTION.get(library, library))
