"""A real headless browser on a real demo process, for tests/test_browser.py: what a person at it does and sees.

Debian's chromium and chromium-driver; no other browser is looked for, so that every run sees the same one.
"""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

ROOT = Path(__file__).parent.parent
WIDE, NARROW = (1280, 900), (390, 844)
FLAGS = (
    "--headless=new", "--disable-gpu", "--disable-quic", "--no-first-run", "--no-proxy-server",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
    "--no-sandbox",  # only our own page is opened, and the sandbox does not work for root in a container
)
WAIT_S = 10
MOST_PRESSES = 30


def missing():
    """What is missing for these tests and how to mend it, as one sentence; None when nothing is."""
    absent = [name for name in ("chromium", "chromedriver") if not shutil.which(name)]
    if not absent:
        return None
    return (f"no {' and no '.join(absent)} here, so the demo is not tried in a real browser; "
            "run: apt-get install chromium chromium-driver")


def start():
    """A headless browser that keeps its console and its network log. Close it with `quit`."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for flag in FLAGS:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))


@contextmanager
def demo_process(folder):
    """A demo on a free loopback port, its temporary files in `folder`; its address. It is stopped at the end."""
    code = "from bot.demo import run; raise SystemExit(run(0))"  # port 0: the system gives one that is free
    process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, encoding="utf-8", stdout=subprocess.PIPE,
                               env={**os.environ, "TMPDIR": str(folder)})
    try:
        said = process.stdout.readline()
        found = re.search(r"http://\S+", said)
        assert found, f"the demo did not start; it said {said!r}"
        yield found.group()
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)


def _asked(method, told):
    """The address that a message of the network log asks something of; "" for any other message."""
    if method == "Network.requestWillBeSent":
        return told["request"]["url"]
    return told["url"] if method == "Network.webSocketCreated" else ""


class Page:
    """The demo's page at one size. Everything is done by keyboard."""

    def __init__(self, driver, address, size):
        self.driver, self.address, self.size = driver, address, size
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
            "width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size[0] < 500})
        self.requests(), self.complaints()  # what earlier pages did is not this page's
        driver.get(address)
        self.until(lambda: self.find("#phone-coordinator"))
        self.seen = {}  # phone to the number of its texts when the step began

    # --- looking ---

    def find(self, selector):
        """The elements of a CSS selector."""
        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def run(self, script, *values):
        """What a script of the page's own language returns."""
        return self.driver.execute_script(script, *values)

    def until(self, holds, what="it"):
        """Wait for what `holds` returns to be true, and return it."""
        end = time.monotonic() + WAIT_S
        while True:
            try:
                found = holds()
            except StaleElementReferenceException:
                found = None
            if found:
                return found
            assert time.monotonic() < end, f"waited {WAIT_S} s for {what}, in vain"
            time.sleep(0.03)

    def texts(self, name):
        """Every text on a phone, oldest first: (kind or the sender's name, time, words)."""
        return [tuple(each) for each in self.run(
            """return [...document.querySelectorAll(`#phone-${arguments[0]} .text`)].map((line) => [
                 line.querySelector("b").textContent, line.querySelector(".about").lastChild.textContent.trim(),
                 line.querySelector(".body").textContent])""", name)]

    def new_texts(self, name):
        """The texts that came to a phone since the step began."""
        return self.texts(name)[self.seen.get(name, 0):]

    def words_in(self, part):
        """The words of a list: matters, day or tasks."""
        return self.run("return document.getElementById(arguments[0]).innerText", part)

    def clock(self):
        """What the clock shows, such as "Tuesday 10 March 2026, 18:00"."""
        return self.run("return document.getElementById('clock').textContent")

    def shows(self, promise):
        """Is what a guide's q says there now?"""
        words = promise["words"]
        if promise["on"]:
            return any(words in body for _, _, body in self.new_texts(promise["on"]))
        return words in self.words_in(promise["in"])

    # --- doing ---

    def begin_step(self):
        """From here on texts count as new."""
        names = self.run("return [...document.querySelectorAll('.phone')].map((phone) => phone.id.slice(6))")
        self.seen = {name: len(self.texts(name)) for name in names}

    def press(self, button):
        """Press a button by the keyboard."""
        button.send_keys(Keys.ENTER)

    def moves(self, label):
        """Press a button of the clock and wait until it has moved."""
        button = next(each for each in self.find(".moves button") if each.text == label)
        self.press(button)
        self.until(lambda: button.get_attribute("aria-disabled") is None, f"the clock after {label!r}")

    def chip(self, name, words):
        """Press the likely text of a phone that is or ends with these words (a nurse's begins with the case)."""
        def found():
            return next((each for each in self.find(f"#phone-{name} .quick button")
                         if each.text == words or each.text.endswith(f" {words}")), None)
        before = len(self.texts(name))
        self.press(self.until(found, f"a chip {words!r} on the phone of {name}"))
        self.until(lambda: len(self.texts(name)) > before, f"{words!r} on the phone of {name}")

    def writes(self, name, words):
        """Type a text on a phone and press Enter."""
        box, = self.find(f"#words-{name}")
        before = len(self.texts(name))
        box.send_keys(words, Keys.ENTER)
        self.until(lambda: len(self.texts(name)) > before, f"{words!r} on the phone of {name}")
        self.until(lambda: box.get_property("value") == "", "an empty box after the text was sent")

    # --- a guide ---

    def steps(self, part):
        """The steps of the guide with this id, as the page has them: each a list of what to do and what to see then."""
        return self.run("""
            return [...document.querySelectorAll(`#${arguments[0]} > ol > li`)].map((step) =>
              [...step.querySelectorAll("b, q")].map((told) => ({
                on: null, in: null, chip: null, write: null, ...told.dataset, tag: told.localName,
                words: told.textContent.replace(/\\s+/g, " ").trim(), clock: "clock" in told.dataset,
                until: "until" in told.dataset, times: Number(told.dataset.times || 1)})))""", part)

    def open(self, part):
        """Unfold a guide, by keyboard."""
        for fold in (part,) if part == "guide" else ("stories", part):
            details, = self.find(f"#{fold}")
            if details.get_attribute("open") is None:
                self.press(details.find_element(By.TAG_NAME, "summary"))
        self.until(lambda: self.find(f"#{part}")[0].get_attribute("open") is not None, f"{part} to unfold")

    def follow(self, part):
        """Do every step of a guide literally, and see what each of them promises."""
        self.open(part)
        for number, step in enumerate(self.steps(part), start=1):
            self.begin_step()
            for at, told in enumerate(step):
                if told["tag"] == "b":
                    self._do(told, step[at + 1:])
                else:
                    self.until(lambda told=told: self.shows(told), f"{told['words']!r} (step {number} of {part})")

    def _do(self, told, rest):
        if told["chip"]:
            self.chip(told["chip"], told["words"])
        elif told["write"]:
            self.writes(told["write"], told["words"])
        elif told["until"]:
            wanted = next(each for each in rest if each["tag"] == "q")
            for _ in range(MOST_PRESSES):
                self.moves(told["words"])
                if self.shows(wanted):
                    return
            raise AssertionError(f"{wanted['words']!r} did not come with {MOST_PRESSES} presses of {told['words']!r}")
        else:
            assert told["clock"], f"the guide's {told['words']!r} is nothing that can be done"
            for _ in range(told["times"]):
                self.moves(told["words"])

    # --- judging ---

    def requests(self):
        """The hosts that the page asked for anything since the last look."""
        found = set()
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            address = urlsplit(_asked(message["method"], message["params"]))
            if address.scheme in ("http", "https", "ws", "wss"):
                found.add(address.hostname)
        return found

    def complaints(self):
        """Every warning and error of the console since the last look."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] in ("WARNING", "SEVERE")]

    def too_wide(self):
        """What sticks out sideways: of the page as a whole, of a button or of a text. Empty when all fits."""
        return self.run("""
            const root = document.documentElement, found = [];
            if (root.scrollWidth > arguments[0]) found.push(`the page: ${root.scrollWidth} px of ${arguments[0]}`);
            for (const each of document.querySelectorAll(
                "button, .body, .card, .clock, .phone, .list li, .guide li, nav a"))
              if (each.scrollWidth > each.clientWidth + 1 && getComputedStyle(each).display !== "inline")
                found.push(`${each.className || each.localName}: ${each.textContent.trim().slice(0, 40)}`);
            return found""", self.size[0])

    def faint(self, least=4.5):
        """Visible text whose luminance differs too little from what is behind it: (ratio, words), by computed styles.

        The ratio is that of WCAG 2.2, success criterion 1.4.3 (4.5 for text of usual size; from memory). It counts
        luminance only, so it is the same in grey.
        """
        return [tuple(each) for each in self.run("""
            const part = (text) => (text.match(/[\\d.]+/g) || [0, 0, 0, 0]).map(Number);
            const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
              .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
              .reduce((sum, v, n) => sum + v * [0.2126, 0.7152, 0.0722][n], 0);
            const over = ([r, g, b, a = 1], under) => [r, g, b].map((v, n) => v * a + under[n] * (1 - a));
            const behind = (each) => {
              if (!each) return [255, 255, 255];
              const own = part(getComputedStyle(each).backgroundColor);
              return (own[3] ?? 1) === 1 ? own : over(own, behind(each.parentElement));
            };
            const opacity = (each) => each ? getComputedStyle(each).opacity * opacity(each.parentElement) : 1;
            const found = [];
            const judge = (each, style, words) => {
              const back = behind(each), [r, g, b, a = 1] = part(style.color);
              const ink = over([r, g, b, a * opacity(each)], back);
              const [low, high] = [light(ink), light(back)].sort((x, y) => x - y);
              const ratio = (high + 0.05) / (low + 0.05);
              if (ratio < arguments[0]) found.push([ratio, words]);
            };
            const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
            while (walk.nextNode()) {
              const words = walk.currentNode.textContent.trim(), each = walk.currentNode.parentElement;
              if (words && each.checkVisibility({visibilityProperty: true}) && each.getClientRects().length)
                judge(each, getComputedStyle(each), words.slice(0, 40));
            }
            for (const box of document.querySelectorAll("textarea"))
              judge(box, getComputedStyle(box, "::placeholder"), box.placeholder);
            return found""", least)]

    def tab_round(self):
        """(controls in the page's order, what Tab reached in its order, those without a visible focus mark)."""
        self.run("""
            const can = "a[href], button, textarea, input, summary, [tabindex='0']";
            window.controls = [...document.querySelectorAll(can)]
              .filter((each) => each.checkVisibility({visibilityProperty: true}));
            document.body.tabIndex = -1; document.body.focus(); document.body.removeAttribute("tabindex")""")
        count = self.run("return window.controls.length")
        body, = self.find("body")
        reached, unmarked = [], []
        for _ in range(count + 5):
            (body if not reached else self.driver.switch_to.active_element).send_keys(Keys.TAB)
            at, marked = self.run("""
                const now = document.activeElement, style = getComputedStyle(now);
                const marked = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
                return [window.controls.indexOf(now), marked]""")
            if at < 0 or at in reached:
                break
            reached.append(at)
            if not marked:
                unmarked.append(at)
        return list(range(count)), reached, unmarked

    def shoot(self, name):
        """With EBBLINE_SHOTS set to a folder, keep a picture of the page there, for people to look at."""
        folder = os.environ.get("EBBLINE_SHOTS")
        if not folder:
            return
        for part in ("body", "#phone-Ana", "#staff", "#lists"):
            self.run("document.querySelector(arguments[0]).scrollIntoView({block: 'start', inline: 'start'})", part)
            time.sleep(0.6)  # a smooth scroll
            self.driver.save_screenshot(str(Path(folder) / f"{name}-{self.size[0]}-{part.lstrip('#')}.png"))
