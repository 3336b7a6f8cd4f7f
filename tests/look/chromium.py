# SPDX-License-Identifier: GPL-3.0-or-later
"""The distribution's Chromium without a window, spoken to by the DevTools protocol over two pipes (--remote-debugging-pipe: JSON, a zero
byte behind each message), so that no port is opened and no library is needed."""
import base64
import json
import os
import shutil
import subprocess
import tempfile
import time

NAMES = ("chromium", "chromium-browser")


def path():
    return next((found for found in map(shutil.which, NAMES) if found), None)


class Chromium:
    def __init__(self):
        self.home = tempfile.TemporaryDirectory(prefix="bridle-look-")
        to_it, self.to = os.pipe()
        self.back, from_it = os.pipe()

        def ends():
            os.dup2(to_it, 13)
            os.dup2(from_it, 14)
            os.dup2(13, 3)
            os.dup2(14, 4)

        self.process = subprocess.Popen(
            [path(), "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run", "--disable-dev-shm-usage",
             "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-default-browser-check",
             f"--user-data-dir={self.home.name}", "--remote-debugging-pipe", "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=ends, close_fds=False)
        os.close(to_it)
        os.close(from_it)
        self.number, self.rest, self.events, self.session = 0, b"", [], None
        target = next(t for t in self.send("Target.getTargets")["targetInfos"] if t["type"] == "page")["targetId"]
        self.session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self.send(f"{domain}.enable")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        try:
            self.session = None
            self.send("Browser.close")
            self.process.wait(10)
        except (OSError, EOFError, subprocess.TimeoutExpired):
            self.process.kill()
            self.process.wait()
        os.close(self.to)
        os.close(self.back)
        self.home.cleanup()

    def receive(self):
        while b"\0" not in self.rest:
            more = os.read(self.back, 1 << 20)
            if not more:
                raise EOFError("Chromium ended")
            self.rest += more
        message, _, self.rest = self.rest.partition(b"\0")
        return json.loads(message)

    def send(self, method, **params):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self.to, data):]
        while True:
            got = self.receive()
            if got.get("id") == self.number:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']}")
                return got.get("result", {})
            self.events.append(got)

    def open(self, file):
        """A page from a file; what its console said and what its scripts threw since."""
        self.events.clear()
        self.send("Page.navigate", url=f"file://{file}")
        end = time.monotonic() + 20
        while not any(e["method"] == "Page.loadEventFired" for e in self.events):
            if time.monotonic() > end:
                raise TimeoutError(f"{file} did not load")
            self.send("Runtime.evaluate", expression="0")

    def complaints(self):
        return [json.dumps(e["params"])[:400] for e in self.events if e["method"] in ("Runtime.exceptionThrown", "Runtime.consoleAPICalled")
                or e["method"] == "Log.entryAdded" and e["params"]["entry"]["level"] in ("error", "warning")]

    def ask(self, expression):
        found = self.send("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in found:
            raise RuntimeError(f"{expression[:80]}: {found['exceptionDetails']}")
        return found["result"].get("value")

    def show(self, width, scheme="light", seen="none", media="screen"):
        """seen: "achromatopsia" is grey."""
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 500)
        self.send("Emulation.setEmulatedMedia", media=media, features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.send("Emulation.setEmulatedVisionDeficiency", type=seen)

    def shoot(self, file):
        """The whole page, however long."""
        size = self.send("Page.getLayoutMetrics")["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": min(size["height"], 16000), "scale": 1}
        shot = self.send("Page.captureScreenshot", format="png", clip=clip, captureBeyondViewport=True)
        file.write_bytes(base64.b64decode(shot["data"]))

    def print(self, file):
        done = self.send("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        file.write_bytes(base64.b64decode(done["data"]))

    def press(self, key, code=None):
        for kind in ("rawKeyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=key, code=code or key,
                      windowsVirtualKeyCode={"Tab": 9, "Enter": 13, "ArrowLeft": 37, "ArrowRight": 39}[key])
