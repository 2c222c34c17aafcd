"""The demo study, copied to where the user can look at it and change it."""

from __future__ import annotations

import shutil
from pathlib import Path

from leafledger.errors import InputFault, Problem
from leafledger.runner.shipped import demo_study


def copy_demo(folder: Path) -> None:
    """Copy the demo study to ``folder``, unless it is there already.

    Raises
    ------
    InputFault
        If the folder holds something else.
    """
    if (folder / "study.yaml").is_file():
        return
    if folder.exists() and any(folder.iterdir()):
        raise InputFault(
            Problem(
                file=folder.name,
                found="a folder that holds something else",
                expected="an empty or new folder for the demo study",
                mend="Name another folder: leafledger demo FOLDER",
            )
        )
    shutil.copytree(demo_study(), folder, dirs_exist_ok=True)
