"""Debian's Chromium, driven over its own protocol: pages opened, keys pressed, and everything it asks for noted."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from websockets.sync.client import connect

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_WAIT_S = 20.0
_KEYS = {"Enter": ("Enter", 13, "\r"), "Tab": ("Tab", 9, ""), "Space": ("Space", 32, " ")}


class Browser:
    """One headless browser with one page."""

    def __init__(self, profile: Path) -> None:
        assert CHROMIUM is not None
        command = [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0"]
        self._process = subprocess.Popen(
            [*command, f"--user-data-dir={profile}", "--window-size=1200,1600", "about:blank"],
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self._process.stderr is not None
        found = next(filter(None, (re.search(r"ws://\S+", line) for line in self._process.stderr)))
        self._open = ExitStack()
        self._socket = self._open.enter_context(connect(found[0], max_size=None))
        self._number, self._session = 0, ""
        self.requests: list[str] = []
        """The address of everything that the pages asked for."""
        self.complaints: list[str] = []
        """What the console said, and every script that failed."""
        targets = self.call("Target.getTargets")["targetInfos"]
        page = next(target["targetId"] for target in targets if target["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=page, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()
        self._process.terminate()
        self._process.wait(20)

    def call(self, method: str, **parameters: Any) -> Any:
        """Ask the browser for something and wait for the answer."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        self._socket.send(json.dumps(message | ({"sessionId": self._session} if self._session else {})))
        while True:
            got = json.loads(self._socket.recv(timeout=_WAIT_S))
            if got.get("id") == self._number:
                assert "error" not in got, got
                return got["result"]
            self._note(got)

    def _note(self, got: dict[str, Any]) -> None:
        said = got.get("params", {})
        match got.get("method"):
            case "Network.requestWillBeSent":
                self.requests.append(said["request"]["url"])
            case "Runtime.exceptionThrown":
                self.complaints.append(str(said["exceptionDetails"]))
            case "Log.entryAdded":
                self.complaints.append(said["entry"]["text"])

    def value(self, script: str) -> Any:
        """The value of an expression in the page."""
        return self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)["result"].get(
            "value"
        )

    def until(self, script: str) -> Any:
        """The value of an expression once it is true."""
        return self._until(lambda: self.value(script), script)

    def _until(self, look: Callable[[], Any], what: str) -> Any:
        end = time.monotonic() + _WAIT_S
        while time.monotonic() < end:
            found = look()
            if found:
                return found
            time.sleep(0.05)
        raise AssertionError(f"it never came: {what}")

    def open(self, address: str) -> None:
        """Go to an address, and wait until the page is there."""
        self.value("window.old = true")
        self.call("Page.navigate", url=address)
        self.until("!window.old && document.readyState === 'complete'")

    def press(self, key: str) -> None:
        """Press a key."""
        name, code, text = _KEYS[key]
        about = {"key": text if key == "Space" else name, "code": name, "windowsVirtualKeyCode": code}
        self.call("Input.dispatchKeyEvent", type="keyDown", text=text, **about)
        self.call("Input.dispatchKeyEvent", type="keyUp", **about)

    def write(self, text: str) -> None:
        """Write into what has the focus, in place of what it holds."""
        self.value("document.activeElement.select && document.activeElement.select()")
        self.call("Input.insertText", text=text)

    def tab_to(self, script: str, most: int = 300) -> None:
        """Press Tab until an expression about ``node``, what has the focus, is true."""
        for _ in range(most):
            self.press("Tab")
            if self.value(f"((node) => {script})(document.activeElement)"):
                return
        raise AssertionError(f"Tab never leads there: {script}")

    def picture(self, path: Path) -> None:
        """Save what is seen as a PNG."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"]))
