"""What is the digest of a file, of a value, and of the code that a rule runs?

Files are remembered by size and time, so that an idle run need not read them again. The code of a
rule is its module and all that it imports from this package; every module is parsed once per
Python, its digest and its imports are kept beside Python's own bytecode.
"""

from __future__ import annotations

import ast
import hashlib
import json
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

from leafledger.study.table_files import canonical_json, write_text

# Files and values
# ----------------------------------------------------------------------

_REMEMBERED = "ledger/cache/digests.json"


def sha256_of_bytes(data: bytes) -> str:
    """Return the SHA-256 of ``data`` in hex."""
    return hashlib.sha256(data).hexdigest()


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's content in hex.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "abc"
    >>> _ = path.write_bytes(b"abc")
    >>> sha256_of_file(path)[:16]   # FIPS 180-4, appendix B.1
    'ba7816bf8f01cfea'
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def sha256_of_value(value: Any) -> str:
    """Return the SHA-256 of a value's canonical JSON, as ``sha256:<hex>``."""
    return "sha256:" + sha256_of_bytes(canonical_json(value).encode("utf-8"))


def inputs_digest(records: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the digest of all that the effects and the classifier read.

    Parameters
    ----------
    records
        Task -> record.
    """
    read = [
        [task, given["role"], given["sha256"]]
        for task in ("effects", "classes")
        if task in records
        for given in records[task]["inputs"]
    ]
    return sha256_of_value(sorted(read)).removeprefix("sha256:")


class FileDigests:
    """Digests of the files of a study, reread only when size or a time of the file has changed.

    Both the modification and the status-change time are compared, so a file replaced by an older
    one, or edited and given back its old date, is read again.

    Parameters
    ----------
    folder
        The study folder; what is remembered lies in its ``ledger/cache``.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._known: dict[str, list[Any]] = {}
        self._changed = False
        try:
            remembered = json.loads((folder / _REMEMBERED).read_text(encoding="utf-8"))
            if isinstance(remembered, dict):
                self._known = remembered
        except (OSError, ValueError):
            # Only a cache: without it every file is read once more.
            self._changed = True

    def of(self, path: str) -> str | None:
        """Return the digest of the file at ``path`` (relative to the study), ``None`` if none."""
        try:
            stat = (self.folder / path).stat()
        except OSError:
            return None
        state = [stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns]
        remembered = self._known.get(path)
        if isinstance(remembered, list) and remembered[:3] == state and len(remembered) == 4:
            return str(remembered[3])
        try:
            digest = sha256_of_file(self.folder / path)
        except OSError:
            return None
        self._known[path] = [*state, digest]
        self._changed = True
        return digest

    def save(self) -> None:
        """Remember the digests for the next run; a study that cannot be written to is no error."""
        if not self._changed:
            return
        try:
            write_text(self.folder / _REMEMBERED, canonical_json(self._known))
            self._changed = False
        except OSError:
            self._changed = True


def files_below(folder: Path) -> list[Path]:
    """Return all files below a folder in the order of their paths."""
    return sorted(path for path in folder.rglob("*") if path.is_file())


# Code
# ----------------------------------------------------------------------

# --- one module, parsed once ----------------------------------------------------------------------

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
        modules = {digest: [module.sha256, *module.imports] for digest, module in kept.items()}
        try:
            write_text(self._file, canonical_json({"reader": _READER, "modules": modules}) + "\n")
        except OSError:
            self._file = None  # an installation that may not be written to: nothing is remembered
        self._new = False

    def _read(self) -> dict[str, Module]:
        if self._file is None:
            return {}
        try:
            content = json.loads(self._file.read_text(encoding="utf-8"))
            if content["reader"] != _READER:
                return {}
            return {
                digest: Module(sha256, tuple(imports))
                for digest, (sha256, *imports) in content["modules"].items()
            }
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}  # none yet, or damaged: parsed anew


def _remembered_file() -> Path | None:
    try:
        bytecode = cache_from_source(__file__)
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


# --- the modules of a rule ------------------------------------------------------------------------

PACKAGE = "leafledger"
_ROOT = Path(__file__).resolve().parent.parent
_BOOKKEEPING = tuple(f"{PACKAGE}.{name}" for name in ("records", "ledger", "cli", "runner"))
_DISTRIBUTION = {"yaml": "pyyaml", "sklearn": "scikit-learn", "PIL": "pillow"}
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
        own_digest, _, outside = _module(name)
        digest.update(f"{name}\0{own_digest}\0".encode())
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
    modules: set[str] = set()
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name in modules or name.startswith(_BOOKKEEPING):
            continue
        modules.add(name)
        waiting += _module(name)[1]
    return sorted(modules)


@cache
def _module(name: str) -> tuple[str, tuple[str, ...], frozenset[str]]:
    """Return digest, imported modules of this package and imported libraries of one module."""
    module = _MODULES.read(_path(name))
    own_modules: set[str] = set()
    outside: set[str] = set()
    for imported in module.imports:
        package = imported.split(".")[0]
        if package == PACKAGE:
            resolved = _resolved(imported)
            if resolved:
                own_modules.add(resolved)
        elif package not in sys.stdlib_module_names:
            outside.add(package)
    return module.sha256, tuple(sorted(own_modules)), frozenset(outside)


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
        if path.is_file()
        and path.suffix not in {".py", ".pyc", ".typed"}
        and "__pycache__" not in path.parts
    )


@cache
def _version(library: str) -> str:
    return metadata.version(_DISTRIBUTION.get(library, library))


# --- the version of this package ------------------------------------------------------------------

_CHECKOUT = Path(__file__).resolve().parents[3]


@cache
def version() -> str:
    """Return the installed version of leafledger."""
    return metadata.version("leafledger")


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
        return _commit_of(git, head.removeprefix("ref:").strip()) if ":" in head else head
    except OSError:
        return None


def _commit_of(git: Path, name: str) -> str | None:
    common = git / "commondir"
    home = git / common.read_text(encoding="utf-8").strip() if common.is_file() else git
    if (home / name).is_file():
        return (home / name).read_text(encoding="utf-8").strip()
    packed = (home / "packed-refs").read_text(encoding="utf-8").splitlines()
    return next((line.split()[0] for line in packed if line.endswith(f" {name}")), None)
