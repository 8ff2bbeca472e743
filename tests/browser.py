"""A headless Chromium driven over a pipe, for pages; tests that need it are skipped where there is none."""

import base64
import contextlib
import itertools
import json
import os
import shutil
import subprocess
import sys
import time

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
_PATIENCE_S = 30


class Browser:
    """One tab. Speaks the DevTools protocol: JSON documents ended by a zero byte, in on 3 and out on 4."""

    def __init__(self, folder, *, width, height, scale=1, touch=False):
        to_read, self._to = os.pipe()
        self._from, to_write = os.pipe()
        flags = [
            "--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--disable-extensions",
            "--no-first-run", "--disable-background-networking", f"--user-data-dir={folder}",
        ]  # fmt: skip

        # the browser wants its pipe on these numbers: a small process puts it there and becomes the browser
        become = "import fcntl, os, sys; i, o = (fcntl.fcntl(int(n), fcntl.F_DUPFD, 10) for n in sys.argv[1:3]); "
        become += "os.dup2(i, 3); os.dup2(o, 4); os.execv(sys.argv[3], sys.argv[3:])"
        self._process = subprocess.Popen(
            [sys.executable, "-c", become, str(to_read), str(to_write), CHROMIUM, *flags, "about:blank"],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for handle in (to_read, to_write):
            os.close(handle)
        self._numbers, self._rest, self.requests, self.errors = itertools.count(1), b"", [], []
        self._session = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")
        self.call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale, mobile=touch
        )
        if touch:
            self.call("Emulation.setTouchEmulationEnabled", enabled=True)

    def close(self):
        with contextlib.suppress(OSError):
            os.close(self._to)
        self._process.terminate()
        self._process.wait(_PATIENCE_S)
        os.close(self._from)

    def call(self, method, **parameters):
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]

    def _read(self):
        while b"\0" not in self._rest:
            part = os.read(self._from, 1 << 16)
            if not part:
                raise RuntimeError("the browser went away")
            self._rest += part
        one, self._rest = self._rest.split(b"\0", 1)
        message = json.loads(one)
        if message.get("method") == "Network.requestWillBeSent":
            self.requests.append(message["params"]["request"]["url"])
        elif message.get("method") == "Runtime.exceptionThrown":
            self.errors.append(message["params"]["exceptionDetails"]["text"])
        elif message.get("method") == "Log.entryAdded" and message["params"]["entry"]["level"] == "error":
            self.errors.append(message["params"]["entry"]["text"] + message["params"]["entry"].get("url", ""))
        return message

    def run(self, script):
        """The value of an expression on the page."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def wait(self, condition):
        """Wait until an expression holds."""
        end = time.monotonic() + _PATIENCE_S
        while not self.run(condition):
            if time.monotonic() > end:
                raise TimeoutError(condition)
            time.sleep(0.05)

    def open(self, url):
        self.call("Page.navigate", url=url)
        self.wait("document.readyState === 'complete' && !!window.sunView")
        self.settle()

    def settle(self):
        """Wait until no tile is on its way and no motion is left."""
        self.run("new Promise(done => setTimeout(done, 400))")
        self.wait("[...document.querySelectorAll('img.leaflet-tile')].every(tile => tile.complete)")
        self.run("new Promise(done => setTimeout(done, 300))")

    def drag(self, start, end):
        """Press, move and release the mouse."""
        (x0, y0), (x1, y1) = start, end
        self._mouse("mousePressed", x0, y0)
        for k in range(1, 6):
            self._mouse("mouseMoved", x0 + (x1 - x0) * k / 5, y0 + (y1 - y0) * k / 5)
        self._mouse("mouseReleased", x1, y1)

    def _mouse(self, kind, x, y):
        buttons = {} if kind == "mouseMoved" else {"clickCount": 1}
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, **buttons)

    def press(self, key):
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, text=key if len(key) == 1 else "")

    def picture(self):
        """PNG of the window."""
        return base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
