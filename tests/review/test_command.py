"""The command as a person starts and ends it."""

from __future__ import annotations

import errno
import http.client
import http.cookiejar
import json
import os
import signal
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Callable
from pathlib import Path

from interruptible import heed_interrupts
from leafledger.review.review_session import ReviewSession
from leafledger.study import sheet_changes

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

    monkeypatch.setattr(sheet_changes, "write_bytes", refused)
    entry = {"scan": "day0-p1-1", "action": "exclude", "reason": "r", "seen": None}
    answer = client.post("/api/decisions", json={"by": "A", "decisions": [entry]})
    assert answer.status_code == 503
    (problem,) = answer.json["problems"]
    assert problem["file"] == "decisions.csv"
    assert problem["found"] == "permission denied"
    assert str(study) not in answer.get_data(as_text=True)


def test_over_the_wire_strangers_are_refused(
    sitting: ReviewSession, study: Path, served: Callable[[ReviewSession], str]
) -> None:
    """acceptance.md, section 6, second check: what curl would send to the real server."""
    address = urllib.parse.urlsplit(served(sitting))
    own = f"127.0.0.1:{address.port}"

    def status(method: str, path: str, body: str = "", **headers: str) -> tuple[int, str]:
        wire = http.client.HTTPConnection(own, timeout=30)
        wire.putrequest(method, path, skip_host=True)
        sent = {"Host": own, "Content-Length": str(len(body)), **headers}
        for name, value in sent.items():
            wire.putheader(name.replace("_", "-"), value)
        wire.endheaders(body.encode())
        answer = wire.getresponse()
        answer.read()
        wire.close()
        return answer.status, answer.getheader("Set-Cookie") or ""

    opened = f"/?{address.query}"
    code, cookie = status("GET", opened)
    assert code == 303
    known = {"Cookie": cookie.split(";")[0]}
    entry = {"scan": "day0-p1-1", "action": "exclude", "reason": "r", "seen": None}
    body = json.dumps({"by": "A", "decisions": [entry]})
    json_body = {"Content_Type": "application/json"}
    form = {"Content_Type": "application/x-www-form-urlencoded"}
    assert status("GET", opened, Host="evil.example")[0] == 403
    post = ("POST", "/api/decisions", body)
    assert status(*post, **known, **json_body, Host="evil.example")[0] == 403
    assert status(*post, **known, **json_body, Origin="http://evil.example")[0] == 403
    assert status(*post, **known, **form)[0] == 403
    assert status(*post, **json_body)[0] == 403
    assert not (study / "decisions.csv").exists()
    assert status(*post, **known, **json_body, Origin=f"http://{own}")[0] == 200
    assert (study / "decisions.csv").exists()
