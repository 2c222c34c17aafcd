"""The command as a person starts and ends it."""

from __future__ import annotations

import errno
import http.cookiejar
import json
import os
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

from interruptible import heed_interrupts
from leafledger.review import decision_file

COMMAND = [sys.executable, "-m", "leafledger.cli", "review"]


def test_it_serves_until_interrupted(study: Path) -> None:
    without_screen = {k: v for k, v in os.environ.items() if "DISPLAY" not in k}
    command = [*COMMAND, str(study), "--reviewer", "A. Grower"]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=without_screen,
        preexec_fn=heed_interrupts,
    ) as child:
        assert child.stdout is not None
        address = child.stdout.readline().split()[-1]
        jar = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        browser = urllib.request.build_opener(urllib.request.ProxyHandler({}), jar)
        with browser.open(address, timeout=30) as page:
            assert "<title>Review</title>" in page.read().decode()
            assert "Werkzeug" not in page.headers["Server"]
        with browser.open(f"{address.split('?')[0]}api/study", timeout=30) as answer:
            assert json.load(answer)["reviewer"] == "A. Grower"
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=30)
    assert child.returncode == 0
    assert "has ended" in out
    assert err == ""


def test_a_study_never_run_is_refused_in_words(study: Path) -> None:
    (study / "results/accepted.csv").unlink()
    done = subprocess.run(
        [*COMMAND, str(study), "--no-browser"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Run it first: leafledger run" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_folder_that_cannot_be_written_to_is_told(client, study: Path, monkeypatch) -> None:
    def refused(path: Path, _data: bytes) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr(decision_file, "write_bytes", refused)
    entry = {"scan": "day0-p1-1", "action": "exclude", "reason": "r", "seen": None}
    answer = client.post("/api/decisions", json={"by": "A", "decisions": [entry]})
    assert answer.status_code == 503
    (problem,) = answer.json["problems"]
    assert problem["file"] == "decisions.csv"
    assert problem["found"] == "permission denied"
    assert str(study) not in answer.get_data(as_text=True)
