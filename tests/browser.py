"""A real headless browser, driven over its own pipe: open, act, look, listen for faults."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("chrome")
needs_browser = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
ARGUMENTS = (
    "--headless=new", "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
    "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND",
    "--remote-debugging-pipe",
)  # fmt: skip


class Browser:
    """One page in a browser process of its own."""

    def __init__(self, profile: Path, size: tuple[int, int]):
        spare = [os.open(os.devnull, os.O_RDONLY) for _ in range(2)]
        to_read, to_write = os.pipe()
        from_read, from_write = os.pipe()

        # Copies above 4, so that each can be put onto 3 and 4, where the browser looks.
        high = [os.dup(fd) for fd in (to_read, from_write)]

        def pipes() -> None:
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        command = [BROWSER, *ARGUMENTS, f"--user-data-dir={profile}",
                   f"--window-size={size[0]},{size[1]}", "about:blank"]  # fmt: skip
        self.process = subprocess.Popen(
            command, close_fds=False, preexec_fn=pipes, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for fd in (*spare, to_read, from_write, *high):
            os.close(fd)
        self.out, self.source = to_write, from_read
        self.number, self.rest = 0, b""
        self.faults: list[str] = []
        self.asked: list[str] = []
        self.session = ""
        target = self.do("Target.createTarget", url="about:blank")["targetId"]
        attached = self.do("Target.attachToTarget", targetId=target, flatten=True)
        self.session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.do(f"{domain}.enable")
        self.do("Emulation.setDeviceMetricsOverride", width=size[0], height=size[1],
                deviceScaleFactor=1, mobile=False)  # fmt: skip

    def do(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and return its result; note what happens meanwhile."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self.number:
                assert "error" not in answer, answer
                return answer.get("result", {})
            self._note(answer)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self.rest:
            more = os.read(self.source, 1 << 16)
            assert more, "the browser has gone"
            self.rest += more
        head, self.rest = self.rest.split(b"\0", 1)
        return json.loads(head)

    def _note(self, event: dict[str, Any]) -> None:
        method, given = event.get("method"), event.get("params", {})
        if method == "Runtime.exceptionThrown":
            self.faults.append(json.dumps(given["exceptionDetails"])[:400])
        elif method == "Runtime.consoleAPICalled" and given["type"] in ("error", "warning"):
            self.faults.append(json.dumps(given["args"])[:400])
        elif method == "Log.entryAdded" and given["entry"]["level"] == "error":
            self.faults.append(given["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.asked.append(given["request"]["url"])

    def open(self, page: Path, *, ready: str = "true", seconds: float = 60.0) -> None:
        """Open a file and wait until `ready` (JavaScript) holds."""
        self.do("Page.navigate", url=page.as_uri())
        end = time.monotonic() + seconds
        while not self.eval(f"document.readyState === 'complete' && !!({ready})"):
            assert time.monotonic() < end, f"the page was not ready: {ready}; {self.faults}"
            time.sleep(0.1)

    def eval(self, script: str) -> Any:
        """Return the value of an expression; promises are awaited."""
        answer = self.do("Runtime.evaluate", expression=script, returnByValue=True,
                         awaitPromise=True)  # fmt: skip
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def move(self, x: float, y: float) -> None:
        """Move the mouse there."""
        self.do("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def click(self, x: float, y: float) -> None:
        """Press and release the left button there."""
        for kind in ("mousePressed", "mouseReleased"):
            self.do("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def picture(self, path: Path, *, whole: bool = False) -> None:
        """Save what is seen, or the whole page, as PNG."""
        image = self.do("Page.captureScreenshot", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(image["data"]))

    def close(self) -> None:
        """End this browser's own process."""
        with contextlib.suppress(AssertionError, OSError):
            self.session = ""
            self.do("Browser.close")
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(10)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        for fd in (self.out, self.source):
            os.close(fd)


@contextlib.contextmanager
def opened(page: str, folder: Path, *, ready: str = "true", size: tuple[int, int] = (1600, 950)):
    """Write a page to a folder and open it in a browser that ends with the block."""
    file = folder / "page.html"
    file.write_text(page, encoding="utf-8")
    browser = Browser(folder / "profile", size)
    try:
        browser.open(file, ready=ready)
        yield browser
    finally:
        browser.close()
