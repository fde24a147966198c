"""What every browser test needs: a session, the engine serving it, a browser, keys, and checks that count."""
import json
import os
import re
import signal
import subprocess
import time

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

NAMED = {"left": Keys.ARROW_LEFT, "right": Keys.ARROW_RIGHT, "up": Keys.ARROW_UP, "down": Keys.ARROW_DOWN,
         "enter": Keys.ENTER, "back": Keys.BACKSPACE, "space": Keys.SPACE, "tab": Keys.TAB, "escape": Keys.ESCAPE,
         "home": Keys.HOME, "end": Keys.END, "pagedown": Keys.PAGE_DOWN}


class Checks:
    def __init__(self):
        self.passed = self.failed = 0

    def that(self, holds, text):
        self.passed += bool(holds)
        self.failed += not holds
        print(("ok: " if holds else "not ok: ") + text, flush=True)
        return bool(holds)


class Engine:
    """chaffinch, and its page of one session."""

    def __init__(self, out, session):
        self.exe, self.session, self.process, self.address = os.path.join(out, "chaffinch"), session, None, ""

    def run(self, *words):
        return subprocess.run([self.exe, *words], capture_output=True, text=True)

    def start(self):
        self.process = subprocess.Popen([self.exe, "review", self.session, "--no-open"], stdout=subprocess.PIPE,
                                        stderr=subprocess.DEVNULL, text=True)
        line = self.process.stdout.readline()
        self.address = re.search(r"http://127\.0\.0\.1:\d+/\S*", line).group(0)
        return self

    def kill(self):
        self.process.kill()
        self.process.wait()

    def stop(self):
        """Ctrl-C; returns the exit status."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            return self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.kill()
            return -1

    def frames(self):
        """The rows of list --frames by the path of the frame."""
        rows = self.run("list", self.session, "--frames", "--format", "jsonl").stdout.splitlines()
        return {row["path"]: row for row in map(json.loads, rows)}


class Page:
    """A browser with the page in it."""

    def __init__(self, engine, width=1280, height=800, dark=False):
        options = Options()
        options.binary_location = "/usr/bin/chromium"
        for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--force-device-scale-factor=1", "--hide-scrollbars",
                     "--disable-dev-shm-usage", "--no-first-run"):
            options.add_argument(word)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.engine = engine
        self.driver = webdriver.Chrome(service=Service("/usr/bin/chromedriver"), options=options)
        self.driver.set_script_timeout(30)
        self.size(width, height)
        if dark:
            self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": "dark"}]})

    def size(self, width, height):
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride",
                                    {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})

    def open(self, place=""):
        self.driver.get("about:blank")
        self.driver.get(self.engine.address + (f"#{place}" if place else ""))
        self.until("return performance.getEntriesByName('chaffinch: ready').length > 0", "the page starts")

    def go(self, place):
        """To another place without loading the page again."""
        self.js("location.hash = arguments[0]", place)
        time.sleep(0.1)

    def js(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def wait_js(self, script, *arguments):
        return self.driver.execute_async_script(script, *arguments)

    def until(self, script, what, seconds=15):
        end = time.time() + seconds
        while time.time() < end:
            if self.js(script):
                return True
            time.sleep(0.03)
        raise AssertionError(f"never came: {what}")

    def press(self, *names):
        """Keys, by name or sign; returns how many."""
        for name in names:
            ActionChains(self.driver, duration=0).send_keys(NAMED.get(name, name)).perform()
        return len(names)

    def point(self, kind, selector, x, y, to_x=None, to_y=None):
        """Presses at a share of an element, drags to another one where told, lets go."""
        box = self.js("const b = document.querySelector(arguments[0]).getBoundingClientRect(); return [b.left, b.top, b.width, b.height]", selector)
        at = lambda u, v: {"x": box[0] + u * box[2], "y": box[1] + v * box[3]}
        start, end = at(x, y), at(x if to_x is None else to_x, y if to_y is None else to_y)
        if kind == "touch":
            self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [start]})
            self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
            return
        for name, where in (("mouseMoved", start), ("mousePressed", start), ("mouseMoved", end), ("mouseReleased", end)):
            self.driver.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": name, "button": "left", "buttons": 1, "clickCount": 1, **where})

    def get(self, path):
        return self.wait_js("const done = arguments[1]; fetch(arguments[0]).then((r) => r.json()).then(done, (e) => done({error: String(e)}))", path)

    def settled(self):
        """Until the frame in the middle stands there at 1:1."""
        self.until("const p = document.querySelector('.stage .middle .pane'); return p && p.dataset.shown", "the frame at 1:1")

    def text(self, selector):
        return self.js("return document.querySelector(arguments[0])?.textContent || ''", selector)

    def spoken(self):
        return self.js("return document.activeElement?.getAttribute('aria-valuetext') || ''")

    def shot(self, path):
        self.driver.save_screenshot(path)

    def complaints(self):
        """What the browser complains about, but for the icon that no page here has."""
        return [e["message"] for e in self.driver.get_log("browser") if e["level"] == "SEVERE" and "favicon" not in e["message"]]

    def kill(self):
        """Ends the browser as a crash would: the processes that the driver started, and only those."""
        pid = self.driver.service.process.pid
        for child in children(pid) + [pid]:
            try:
                os.kill(child, signal.SIGKILL)
            except ProcessLookupError:
                pass
        self.driver.service.process.wait()

    def quit(self):
        self.driver.quit()


def children(pid):
    """All processes below one, the deepest last."""
    found = []
    for name in os.listdir("/proc"):
        if not name.isdigit():
            continue
        try:
            with open(f"/proc/{name}/stat", encoding="latin-1") as f:
                parent = int(f.read().rsplit(")", 1)[1].split()[1])
        except (OSError, IndexError):
            continue
        if parent == pid:
            found += [int(name)] + children(int(name))
    return found
