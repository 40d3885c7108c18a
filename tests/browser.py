"""A real browser without a window for tests of the web page: Chromium, spoken to through a pair of pipes.

The Chrome DevTools Protocol over ``--remote-debugging-pipe`` is JSON ended by a zero byte: no package is needed.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--no-default-browser-check",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--remote-debugging-pipe",
)
#: Keys by their name in events: (code, virtual key code, text).
KEYS = {
    "Tab": ("Tab", 9, ""),
    "Enter": ("Enter", 13, "\r"),
    " ": ("Space", 32, " "),
    "Escape": ("Escape", 27, ""),
    "ArrowLeft": ("ArrowLeft", 37, ""),
    "ArrowUp": ("ArrowUp", 38, ""),
    "ArrowRight": ("ArrowRight", 39, ""),
    "ArrowDown": ("ArrowDown", 40, ""),
    "Home": ("Home", 36, ""),
    "End": ("End", 35, ""),
}


def executable() -> str | None:
    """The browser that is installed, if one is."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


class Browser:
    """One tab of a running browser; ``events`` holds everything that it reported."""

    def __init__(self, profile: Path) -> None:
        program = executable()
        assert program is not None
        pairs = [os.pipe(), os.pipe()]
        ends = [fcntl.fcntl(fd, fcntl.F_DUPFD, 20) for fd in (pairs[0][0], pairs[1][1])]
        command = f'exec "$0" "$@" 3<&{ends[0]} 4>&{ends[1]}'
        self._process = subprocess.Popen(
            ["bash", "-c", command, program, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            pass_fds=ends,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for fd in (*ends, pairs[0][0], pairs[1][1]):
            os.close(fd)
        self._to, self._from = pairs[0][1], pairs[1][0]
        self._rest, self._n, self._session = b"", 0, ""
        self.events: list[dict[str, Any]] = []
        target = next(t for t in self.call("Target.getTargets")["targetInfos"] if t["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        """End the browser."""
        os.close(self._to)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        os.close(self._from)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a method of the protocol and wait for its answer."""
        self._n += 1
        message: dict[str, Any] = {"id": self._n, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read(60.0)
            if answer.get("id") == self._n:
                assert "error" not in answer, (method, answer["error"])
                return dict(answer["result"])
            self.events.append(answer)

    def _read(self, seconds: float) -> dict[str, Any]:
        end = time.monotonic() + seconds
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._from], [], [], max(end - time.monotonic(), 0.0))
            assert ready, "the browser does not answer"
            part = os.read(self._from, 1 << 20)
            assert part, "the browser has ended"
            self._rest += part
        raw, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(raw))

    def open(self, path: Path, width: int = 1280, height: int = 900, phone: bool = False) -> None:
        """Load a file and wait until it is there."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=phone)
        self.call("Emulation.setTouchEmulationEnabled", enabled=phone)
        self.events.clear()
        self.call("Page.navigate", url=path.resolve().as_uri())
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self._read(60.0))

    def js(self, code: str) -> Any:
        """The value of an expression in the page."""
        done = self.call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in done, done["exceptionDetails"]
        return done["result"].get("value")

    def complaints(self) -> list[str]:
        """Errors and warnings of the console, exceptions, broken policies."""
        self.js("new Promise(done => requestAnimationFrame(() => setTimeout(done, 50)))")
        out = []
        for event in self.events:
            params = event.get("params", {})
            match event.get("method"):
                case "Runtime.exceptionThrown":
                    out.append(str(params["exceptionDetails"]))
                case "Runtime.consoleAPICalled" if params["type"] in ("error", "warning", "assert"):
                    out.append(str(params["args"]))
                case "Log.entryAdded" if params["entry"]["level"] in ("error", "warning"):
                    out.append(str(params["entry"]))
        return out

    def requests(self) -> list[str]:
        """Addresses that were asked for, the parts that the page carries in itself left out."""
        sent = (e["params"]["request"]["url"] for e in self.events if e.get("method") == "Network.requestWillBeSent")
        return [url for url in sent if not url.startswith("data:")]

    def key(self, name: str, modifiers: int = 0) -> None:
        """Press and release a key."""
        code, number, text = KEYS.get(name, (name, ord(name[0].upper()), name))
        common = {"key": name, "code": code, "windowsVirtualKeyCode": number, "modifiers": modifiers}
        self.call("Input.dispatchKeyEvent", type="keyDown" if text else "rawKeyDown", text=text, **common)
        self.call("Input.dispatchKeyEvent", type="keyUp", **common)

    def centre(self, selector: str) -> tuple[float, float]:
        """The middle of an element, scrolled into view."""
        found = self.js(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)}); e.scrollIntoView({{block: 'center',"
            "behavior: 'instant'}); const b = e.getBoundingClientRect();"
            "return [b.left + b.width / 2, b.top + b.height / 2]; })()"
        )
        return float(found[0]), float(found[1])

    def move(self, x: float, y: float) -> None:
        """Move the mouse."""
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def click(self, selector: str) -> None:
        """Click on the middle of an element."""
        self.click_at(*self.centre(selector))

    def click_at(self, x: float, y: float) -> None:
        """Click on a place of the window."""
        self.move(x, y)
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, clickCount=1)

    def tap(self, selector: str) -> None:
        """Touch the middle of an element."""
        x, y = self.centre(selector)
        self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def picture(self, whole: bool = True) -> bytes:
        """The page as PNG."""
        done = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(done["data"])

    def printed(self) -> bytes:
        """The page as PDF on A4."""
        done = self.call(
            "Page.printToPDF", printBackground=False, preferCSSPageSize=True, paperWidth=8.27, paperHeight=11.69
        )
        return base64.b64decode(done["data"])


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """A browser that is ended afterwards."""
    opened = Browser(profile)
    try:
        yield opened
    finally:
        opened.close()
