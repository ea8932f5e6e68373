"""A headless browser driven over the DevTools protocol, for tests that look at pages as a reader does."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import pytest
import websocket

PROGRAMS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-port=0",
    "--remote-allow-origins=*",
)


def find_browser() -> str:
    """Path of a browser. Without one the test is skipped, but fails where ``CI`` is set."""
    for program in PROGRAMS:
        if path := shutil.which(program):
            return path
    reason = f"no browser found (looked for {', '.join(PROGRAMS)})"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


class Browser:
    """One headless browser with one page, its network switched off.

    Use as a context manager. ``errors`` and ``asked`` hold what the page wrote as errors or warnings and
    the addresses it asked for since it was opened.
    """

    def __init__(self, *, width: int = 1366, height: int = 768, wait_s: float = 30.0) -> None:
        self._wait_s = wait_s
        self._last = 0
        self._events: list[dict[str, Any]] = []
        self.errors: list[str] = []
        self.asked: list[str] = []
        program = find_browser()
        self._folder = tempfile.mkdtemp(prefix="decknet-browser-")
        self._process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={self._folder}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            self._socket = websocket.create_connection(self._address(), timeout=wait_s)
            self._session: str | None = None
            target = self.send("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log", "Network"):
                self.send(f"{domain}.enable")
            self.send(
                "Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0
            )
            self.resize(width, height)
        except BaseException:
            self.close()
            raise

    def _address(self) -> str:
        file = Path(self._folder) / "DevToolsActivePort"
        end = time.monotonic() + self._wait_s
        while time.monotonic() < end:
            lines = file.read_text().split() if file.exists() else []
            if len(lines) == 2:
                return f"ws://127.0.0.1:{lines[0]}{lines[1]}"
            if self._process.poll() is not None:
                raise RuntimeError(f"the browser ended at once with code {self._process.returncode}")
            time.sleep(0.05)
        raise TimeoutError(f"the browser opened no debugging port within {self._wait_s:g} s")

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and wait for its answer, keeping the events that come before it."""
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": params}
        if getattr(self, "_session", None):
            message["sessionId"] = self._session
        self._socket.send(json.dumps(message))
        while True:
            answer = self._receive()
            if answer.get("id") == self._last:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result

    def _receive(self) -> dict[str, Any]:
        message: dict[str, Any] = json.loads(self._socket.recv())
        method, params = message.get("method"), message.get("params", {})
        if method == "Runtime.exceptionThrown":
            details = params["exceptionDetails"]
            self.errors.append(details.get("exception", {}).get("description") or details["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in {"error", "warning", "assert"}:
            self.errors.append(" ".join(str(a.get("value", a.get("description"))) for a in params["args"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in {"error", "warning"}:
            self.errors.append(f"{params['entry']['text']} {params['entry'].get('url', '')}".strip())
        elif method == "Network.requestWillBeSent":
            self.asked.append(params["request"]["url"])
        if method:
            self._events.append(message)
        return message

    def resize(self, width: int, height: int, *, phone: bool = False) -> None:
        """Set the size of the page in CSS pixels."""
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=phone)

    def open(self, page: Path) -> None:
        """Open a file and wait until it has loaded."""
        self._events.clear()
        self.errors.clear()
        self.asked.clear()
        self.send("Page.navigate", url=page.resolve().as_uri())
        while not any(e["method"] == "Page.loadEventFired" for e in self._events):
            self._receive()
        self.settle()

    def settle(self) -> None:
        """Wait until the page has drawn twice."""
        self.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))")

    def evaluate(self, script: str) -> Any:
        """Value of a JavaScript expression; promises are awaited."""
        answer = self.send("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            details = answer["exceptionDetails"]
            raise RuntimeError(details.get("exception", {}).get("description") or details["text"])
        return answer["result"].get("value")

    def click(self, x: float, y: float) -> None:
        """Click at a point of the page."""
        at = {"x": x, "y": y}
        self.send("Input.dispatchMouseEvent", type="mouseMoved", **at)
        for kind in ("mousePressed", "mouseReleased"):
            self.send("Input.dispatchMouseEvent", type=kind, button="left", clickCount=1, **at)
        self.settle()

    def move(self, x: float, y: float) -> None:
        """Move the pointer to a point of the page."""
        self.send("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
        self.settle()

    def press(self, key: str, code: int) -> None:
        """Press a key, by its name and its code: ``press("Tab", 9)``."""
        text = {"text": "\r"} if key == "Enter" else {}
        self.send("Input.dispatchKeyEvent", type="keyDown", key=key, code=key, windowsVirtualKeyCode=code, **text)
        self.send("Input.dispatchKeyEvent", type="keyUp", key=key, code=key, windowsVirtualKeyCode=code)
        self.settle()

    def screenshot(self, file: Path, *, whole: bool = False) -> None:
        """Save what the page looks like, or with ``whole`` what it would look like on an endless screen."""
        picture = self.send("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        file.write_bytes(base64.b64decode(picture["data"]))

    def close(self) -> None:
        """End the browser and remove its folder."""
        connection = getattr(self, "_socket", None)
        if connection is not None:
            try:
                self._session = None
                self.send("Browser.close")
            except (OSError, websocket.WebSocketException, RuntimeError):
                self._process.terminate()
            connection.close()
        else:
            self._process.terminate()
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
