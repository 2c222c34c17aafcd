"""Any test folders can be named on one line: none takes the module name of another."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
FOLDERS = sorted(path for path in HERE.iterdir() if any(path.glob("*.py")))


def test_a_folder_with_a_conftest_of_its_own_is_a_package():
    with_conftest = [folder for folder in FOLDERS if (folder / "conftest.py").is_file()]
    assert len(with_conftest) > 1
    assert [f.name for f in with_conftest if not (f / "__init__.py").is_file()] == []


def test_outside_of_packages_no_two_files_share_a_name():
    bare = [folder for folder in [HERE, *FOLDERS] if not (folder / "__init__.py").is_file()]
    names = Counter(path.name for folder in bare for path in folder.glob("*.py"))
    assert [name for name, n in names.items() if n > 1] == []
