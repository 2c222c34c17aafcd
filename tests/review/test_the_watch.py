"""The browser of the tests notices what it is there to notice."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import browser
from browser import PHONE, Watched

BAD = """<!doctype html><html><body><img src="http://leaf.invalid/x.png"><p style="width:900px">x
<script>setTimeout(() => { alert('hello'); throw new Error('broken'); }, 0)</script></body></html>
"""


def test_it_notices_requests_dialogs_errors_and_barriers(watched: Watched, tmp_path: Path) -> None:
    file = tmp_path / "bad.html"
    file.write_text(BAD)
    page = watched.open_file(file)
    page.wait_for_timeout(200)
    found = " / ".join(watched.barriers())
    for rule in ("image-alt (critical)", "html-has-lang (serious)"):
        assert rule in found
    watched.size(PHONE)
    assert not watched.fits()
    told = " / ".join(watched.forget())
    for word in ("Failed to load", "broken", "alert: hello", "asked for http://leaf.invalid"):
        assert word in told
    assert watched.forget() == []


def test_without_the_program_a_test_skips_but_not_on_the_build_server(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(shutil, "which", lambda _name: None)
    monkeypatch.delenv("LEAFLEDGER_NEEDS_BROWSER", raising=False)
    with pytest.raises(pytest.skip.Exception, match="chromium"):
        browser.program()
    monkeypatch.setenv("LEAFLEDGER_NEEDS_BROWSER", "1")
    with pytest.raises(pytest.fail.Exception, match="chromium"):
        browser.program()
