"""A headless Chromium driven through its debugging pipe: real key presses and touches, no library needed."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
    None,
)
# Chromium reads from file 3 and writes to file 4
_START = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(number), fcntl.F_DUPFD, 10) for number in sys.argv[1:3]]
for number, end in zip((3, 4), ends):
    os.dup2(end, number)
os.execv(sys.argv[3], sys.argv[3:])
"""
_KEYS = {"Tab": 9, "Enter": 13, " ": 32, "ArrowDown": 40, "ArrowUp": 38, "End": 35, "Home": 36}


class ChromiumPage:
    """One page of a given width, without a network; a context manager."""

    def __init__(self, folder: Path, page: Path, width: int, height: int = 900) -> None:
        self._number = 0
        self._events: list[dict[str, Any]] = []
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()
        command = [
            sys.executable, "-c", _START, str(to_browser), str(from_browser), str(CHROMIUM),
            "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={folder / 'profile'}", "--remote-debugging-pipe", "about:blank",
        ]  # fmt: skip
        self._process = subprocess.Popen(
            command, pass_fds=(to_browser, from_browser), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            stdin=subprocess.DEVNULL, env={**os.environ, "HOME": str(folder)},
        )  # fmt: skip
        os.close(to_browser)
        os.close(from_browser)
        self._buffer = b""
        self._session = ""
        target = next(
            item["targetId"] for item in self._call("Target.getTargets")["targetInfos"] if item["type"] == "page"
        )
        self._session = self._call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self._call(f"{domain}.enable")
        self._call(
            "Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0
        )
        self._call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 700
        )
        self._call("Emulation.setTouchEmulationEnabled", enabled=True)
        self._call("Page.navigate", url=page.as_uri())
        self.wait_for("document.readyState === 'complete'")

    def __enter__(self) -> ChromiumPage:
        return self

    def __exit__(self, *_: object) -> None:
        self._session = ""
        self._send("Browser.close")
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(20)
        os.close(self._out)
        os.close(self._in)

    def _send(self, method: str, **params: Any) -> int:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        return self._number

    def _call(self, method: str, **params: Any) -> dict[str, Any]:
        number = self._send(method, **params)
        while True:
            while b"\0" not in self._buffer:
                more = os.read(self._in, 1 << 16)
                if not more:
                    raise RuntimeError("Chromium has ended")
                self._buffer += more
            text, self._buffer = self._buffer.split(b"\0", 1)
            message = json.loads(text)
            if message.get("id") == number:
                assert "error" not in message, f"{method}: {message['error']}"
                return dict(message["result"])
            self._events.append(message)

    def evaluate(self, script: str) -> Any:
        """Return the value of a script's expression."""
        done = self._call("Runtime.evaluate", expression=script, returnByValue=True)
        assert "exceptionDetails" not in done, done["exceptionDetails"]
        return done["result"].get("value")

    def wait_for(self, condition: str) -> None:
        for _ in range(500):
            if self.evaluate(condition):
                return
        raise AssertionError(f"never came true: {condition}")

    def press(self, key: str) -> None:
        """Press and let go of a key."""
        text = {"Enter": "\r", " ": " "}.get(key, "")
        common = {"key": key, "code": "Space" if key == " " else key, "windowsVirtualKeyCode": _KEYS[key]}
        self._call("Input.dispatchKeyEvent", type="keyDown", text=text, **common)
        self._call("Input.dispatchKeyEvent", type="keyUp", **common)

    def touch(self, selector: str) -> None:
        """Touch the middle of an element with a finger."""
        x, y = self.evaluate(
            f"""(() => {{
                const place = document.querySelector({json.dumps(selector)});
                place.scrollIntoView({{block: "center"}});
                const box = place.getBoundingClientRect();
                return [box.x + box.width / 2, box.y + box.height / 2];
            }})()"""
        )
        self._call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self._call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def events(self, method: str) -> list[dict[str, Any]]:
        """Return the parameters of events that have come so far."""
        self.evaluate("0")
        return [event["params"] for event in self._events if event.get("method") == method]

    def picture(self, out: Path, *, whole: bool = True) -> None:
        """Write a picture of the page."""
        done = self._call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        out.write_bytes(base64.b64decode(done["data"]))
