"""The code digest follows what a rule runs, not how it is commented."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from leafledger.records import digests as installed

SOURCE = Path(installed.__file__).resolve().parents[1]
Loader = Callable[[], ModuleType]


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a copy of the package whose modules may be changed."""
    out = tmp_path_factory.mktemp("code") / "leafledger"
    shutil.copytree(SOURCE, out, ignore=shutil.ignore_patterns("__pycache__"))
    return out


@pytest.fixture
def package(copied: Path) -> Path:
    return copied


def digests(package: Path, *stages: str) -> list[str]:
    """Return the digests of stages as a fresh process would find them in ``package``."""
    spec = importlib.util.spec_from_file_location("code_of_a_copy", package / "records/digests.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return [module.code_of(f"leafledger.{stage}").sha256 for stage in stages]


STAGES = ("indices.stage", "intake.stage", "effects.stage")


def changed_by(package: Path, path: str, change: Callable[[str], str]) -> list[bool]:
    before = digests(package, *STAGES)
    place = package / path
    text = place.read_text(encoding="utf-8")
    place.write_text(change(text), encoding="utf-8")
    try:
        after = digests(package, *STAGES)
    finally:
        place.write_text(text, encoding="utf-8")
    return [one != other for one, other in zip(before, after, strict=True)]


def test_a_copy_has_the_digest_of_the_original(package: Path) -> None:
    expected = [installed.code_of(f"leafledger.{stage}").sha256 for stage in STAGES]
    assert digests(package, *STAGES) == expected


def test_comments_docstrings_and_blank_lines_do_not_count(package: Path) -> None:
    def comment(text: str) -> str:
        head, quotes, rest = text.partition('"""')
        assert head == ""
        return f"# a comment\n\n{quotes}Other words. {rest}\n# the end\n"

    assert changed_by(package, "spectra/formula.py", comment) == [False, False, False]


def test_a_statement_counts_for_the_stages_that_import_it(package: Path) -> None:
    def add(text: str) -> str:
        return text + "\nTHE_LIMIT = 4\n"

    assert changed_by(package, "spectra/formula.py", add) == [True, False, False]
    assert changed_by(package, "errors.py", add) == [True, True, True]


def test_an_import_inside_a_function_belongs_to_the_stage(package: Path) -> None:
    """What effects uses of chance is imported where it is used."""

    def add(text: str) -> str:
        return text + "\nTHE_LIMIT = 4\n"

    def import_it(text: str) -> str:
        return text + (
            "\n\ndef late() -> None:\n    try:\n        pass\n    finally:\n"
            "        from leafledger.spectra import formula  # noqa: F401\n"
        )

    assert changed_by(package, "intake/stage.py", import_it) == [False, True, False]
    place = package / "intake/stage.py"
    text = place.read_text(encoding="utf-8")
    place.write_text(import_it(text), encoding="utf-8")
    try:
        assert changed_by(package, "spectra/formula.py", add) == [True, True, False]
    finally:
        place.write_text(text, encoding="utf-8")


def test_data_files_count(package: Path) -> None:
    def add(text: str) -> str:
        return text + "\n"

    assert changed_by(package, "indices/catalogue.csv", add)[0]


def test_what_is_kept_beside_bytecode_does_not_count(package: Path) -> None:
    kept = package / "indices/__pycache__/kept.cache"
    kept.parent.mkdir(exist_ok=True)
    kept.write_text("one", encoding="utf-8")
    assert not changed_by(package, "indices/__pycache__/kept.cache", lambda text: text + "\n")[0]


def test_bookkeeping_does_not_count(package: Path) -> None:
    def add(text: str) -> str:
        return text + "\nTHE_LIMIT = 4\n"

    for path in (
        "records/events.py",
        "runner/outdated.py",
        "ledger/book.py",
        "cli/terminal_text.py",
    ):
        assert changed_by(package, path, add) == [False, False, False]


def test_what_another_reader_saw_in_a_module_is_not_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A later version may leave out other parts of a module; what is installed stays the same."""
    source = tmp_path / "module.py"
    source.write_text("LIMIT = 4\n", encoding="utf-8")
    monkeypatch.setattr(installed, "_remembered_file", lambda: tmp_path / "modules.json")
    first = installed.Modules()
    read = first.read(source)
    first.save()
    odd = installed.Module("0" * 64, ())
    monkeypatch.setattr(installed, "_parsed", lambda _source: odd)
    assert installed.Modules().read(source) == read, "it is remembered"
    monkeypatch.setattr(installed, "_READER", "a later version")
    assert installed.Modules().read(source) == odd


@pytest.mark.parametrize("text", ["", "{", "[]", '{"reader": 1}', "{}"])
def test_a_damaged_memory_of_modules_is_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    (tmp_path / "modules.json").write_text(text, encoding="utf-8")
    monkeypatch.setattr(installed, "_remembered_file", lambda: tmp_path / "modules.json")
    source = tmp_path / "module.py"
    source.write_text("import numpy\n", encoding="utf-8")
    assert installed.Modules().read(source).imports == ("numpy",)


def test_libraries_are_named_with_their_versions() -> None:
    libraries = installed.code_of("leafledger.classes.stage").libraries
    assert {"numpy", "sklearn"} <= set(libraries)
    assert all(version[0].isdigit() for version in libraries.values())
