"""Shell completion does what its page says."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from docs.markdown_pages import DOCS, blocks

PROGRAM = Path(sys.executable).parent / "leafledger"
SHELLS = ("bash", "zsh", "fish")


def leafledger(**environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [PROGRAM],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **environment},
    )


def test_the_page_has_a_line_for_each_shell() -> None:
    told = "".join(block.text for block in blocks(DOCS / "completion.md"))
    assert tuple(re.findall(r"_LEAFLEDGER_COMPLETE=(\w+)_source leafledger", told)) == SHELLS


@pytest.mark.parametrize("shell", SHELLS)
def test_a_script_is_written_and_a_command_completed(shell: str) -> None:
    script = leafledger(_LEAFLEDGER_COMPLETE=f"{shell}_source").stdout
    assert f"_LEAFLEDGER_COMPLETE={shell}_complete" in script
    typed = {"COMP_WORDS": "leafledger tr", "COMP_CWORD": "tr" if shell == "fish" else "1"}
    told = leafledger(_LEAFLEDGER_COMPLETE=f"{shell}_complete", **typed).stdout
    assert re.findall(r"\btrace\b", told)
    assert "verify" not in told


def test_bash_itself_completes(tmp_path: Path) -> None:
    bash = shutil.which("bash")
    assert bash is not None
    script = tmp_path / "completion.bash"
    script.write_text(leafledger(_LEAFLEDGER_COMPLETE="bash_source").stdout, encoding="utf-8")
    ask = (
        f"source {script}; COMP_WORDS=(leafledger ver); COMP_CWORD=1; "
        f'_leafledger_completion {PROGRAM}; echo "${{COMPREPLY[@]}}"'
    )
    done = subprocess.run([bash, "-c", ask], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["verify"]
