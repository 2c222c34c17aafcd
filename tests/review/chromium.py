"""A headless Chromium driven over a pipe by the DevTools protocol; no further library needed."""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
_PATIENCE = 60.0
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--remote-debugging-pipe",
)


class Chromium:
    """One page of a headless browser; use as a context manager."""

    def __init__(self, profile: Path) -> None:
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        self.events: list[dict[str, Any]] = []
        self._buffer = b""
        self._number = 0
        self._session: str | None = None
        # The browser reads commands from 3 and answers on 4; out of their way first.
        ends = [fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 10) for end in (to_read, to_write)]

        def in_place() -> None:
            os.dup2(ends[0], 3)
            os.dup2(ends[1], 4)

        self._process = subprocess.Popen(
            [str(PROGRAM), *_FLAGS, f"--user-data-dir={profile}"],
            close_fds=False,
            preexec_fn=in_place,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for end in (to_read, to_write, *ends):
            os.close(end)
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        attached = self.send("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def __enter__(self) -> Chromium:
        return self

    def __exit__(self, *_error: object) -> None:
        self._process.terminate()
        self._process.wait(20)
        os.close(self._read)
        os.close(self._write)

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and return its result; events that come meanwhile are kept."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            told = self._next()
            if told.get("id") == self._number:
                assert "error" not in told, (method, told)
                return dict(told["result"])
            self.events.append(told)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], _PATIENCE)
            data = os.read(self._read, 1 << 20) if ready else b""
            assert data, "the browser says nothing"
            self._buffer += data
        whole, _, self._buffer = self._buffer.partition(b"\0")
        return dict(json.loads(whole))

    def size(self, width: int, height: int) -> None:
        """Set the size of the window in CSS pixels."""
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def go(self, address: str, until: str) -> None:
        """Open an address and wait for an expression to hold."""
        self.send("Page.navigate", url=address)
        self.wait(until)

    def value(self, expression: str) -> Any:
        """Return the value of a JavaScript expression."""
        told = self.send(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def wait(self, expression: str) -> None:
        """Wait until an expression holds."""
        end = time.monotonic() + _PATIENCE
        while not self.value(f"Boolean({expression})"):
            assert time.monotonic() < end, f"never true: {expression}\n{self.troubles()}"
            time.sleep(0.1)

    def press(self, key: str) -> None:
        """Press a key."""
        codes = {"Enter": 13, "Tab": 9, "Escape": 27}
        told = {"key": key, "windowsVirtualKeyCode": codes.get(key, ord(key[0].upper()))}
        if len(key) == 1 or key == "Enter":
            told["text"] = "\r" if key == "Enter" else key
        self.send("Input.dispatchKeyEvent", type="keyDown", **told)
        self.send("Input.dispatchKeyEvent", type="keyUp", key=key)

    def type(self, text: str) -> None:
        """Type text into what has the focus."""
        self.send("Input.insertText", text=text)

    def picture(self, path: Path) -> None:
        """Save the whole page as PNG."""
        told = self.send("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(told["data"]))

    def troubles(self) -> list[str]:
        """Return what the console complained of."""
        found = [e for e in self.events if e.get("method") == "Log.entryAdded"]
        texts = [e["params"]["entry"]["text"] for e in found]
        thrown = [e for e in self.events if e.get("method") == "Runtime.exceptionThrown"]
        called = [e for e in self.events if e.get("method") == "Runtime.consoleAPICalled"]
        return [*texts, *(json.dumps(e["params"])[:400] for e in [*thrown, *called])]

    def requests(self) -> list[str]:
        """Return every address that was asked for."""
        method = "Network.requestWillBeSent"
        return [e["params"]["request"]["url"] for e in self.events if e.get("method") == method]
