"""A person before the page of `riskmap open`, without a terminal: with a mouse alone, or with a keyboard alone.

Things are found by their role and the name that is read to people, never by their place. The keyboard knows only Tab,
Shift+Tab, Enter, Space, arrows and letters; no script sets the focus. What is pressed is counted.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from selenium import webdriver
from selenium.common.exceptions import JavascriptException, NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select, WebDriverWait

LONG_S = 300  # for one step of work on a busy machine
SOON_S = 60
MOST_TABS = 150  # until something is reached; more are a fault of the page
WRONG = ("It did not work.", "This was not possible", "Cancelled.")
# role -> what elements of that role are in our pages
ROLES = {"button": "button,[role=button]", "link": "a[href]", "checkbox": "input[type=checkbox]",
         "field": "input:not([type=checkbox]):not([type=file]),textarea", "select": "select", "summary": "summary",
         "file": "input[type=file]"}
FOCUSED = """
const a = document.activeElement;
if (!a || a === document.body) return null;
return a.tagName === 'IFRAME' ? 'IFRAME' : a;"""

# the focus is on a link that skips, and the wanted thing comes after the place to which it leads
SKIPS = """
const a = document.activeElement, to = a && a.matches('a.skip') && document.getElementById(a.hash.slice(1));
return Boolean(to) && Boolean(to.compareDocumentPosition(arguments[0]) & Node.DOCUMENT_POSITION_FOLLOWING);"""


def said(page: webdriver.Chrome) -> str:
    """Return the text of a page, which may just be replaced by another."""
    with suppress(JavascriptException):
        return str(page.execute_script("return document.body ? document.body.innerText : ''"))
    return ""


@dataclass
class Hands(ABC):
    """Uses a page, and counts what is pressed.

    Attributes
    ----------
    page : Chrome
    pressed : int
        Clicks, or keys that were pressed; letters of a text that is typed are counted apart.
    letters : int
    chosen : int
        Choices of files in the window of the system, which no page can replace.
    steps : list of str
        What was done, with what it took.
    """

    page: webdriver.Chrome
    pressed: int = 0
    letters: int = 0
    chosen: int = 0
    steps: list[str] = field(default_factory=list)

    @abstractmethod
    def use(self, role: str, name: str) -> None:
        """Press a button, follow a link, tick a box, open what is folded, or begin to choose files."""

    @abstractmethod
    def write(self, name: str, text: str) -> None:
        """Write into a field."""

    @abstractmethod
    def pick(self, name: str, option: str) -> None:
        """Pick an option of a menu."""

    def give(self, name: str, files: list[Path]) -> None:
        """Choose files: the page opens the window of the system, in which they are marked at once."""
        self.page.execute_cdp_cmd("Page.enable", {})
        self.page.execute_cdp_cmd("Page.setInterceptFileChooserDialog", {"enabled": True})
        self.page.get_log("performance")
        self.use("file", name)
        asked = WebDriverWait(self.page, SOON_S).until(lambda _: self._chooser())
        self.page.execute_cdp_cmd("DOM.enable", {})
        self.page.execute_cdp_cmd("DOM.setFileInputFiles", {
            "files": [str(path.resolve()) for path in files], "backendNodeId": asked})
        self.chosen += 1

    def _chooser(self) -> int | None:
        for line in self.page.get_log("performance"):
            event = json.loads(line["message"])["message"]
            if event["method"] == "Page.fileChooserOpened":
                return int(event["params"]["backendNodeId"])
        return None

    def named(self, role: str, name: str) -> WebElement | None:
        """Return what has a role and a name and can be used; None where there is none."""
        with suppress(StaleElementReferenceException):
            for one in self.page.find_elements(By.CSS_SELECTOR, ROLES[role]):
                if called(one) == name and one.is_displayed() and one.is_enabled():
                    return one
        return None

    def until(self, part: str, what: Callable[[webdriver.Chrome], bool] = lambda page: True) -> None:
        """Wait for a page whose address has this part; a page that says that something went wrong is a failure."""
        def there(page: webdriver.Chrome) -> bool:
            text = said(page)
            assert not any(wrong in text for wrong in WRONG), text
            try:
                return part in page.current_url and what(page)
            except (StaleElementReferenceException, NoSuchElementException):
                return False
        WebDriverWait(self.page, LONG_S).until(there)

    def note(self, what: str, before: int) -> None:
        """Remember how much a step took."""
        self.steps.append(f"{what} {self.pressed - before}")


def called(one: WebElement) -> str:
    """Return the name that is read to people, in one line."""
    name = one.text if one.tag_name == "summary" else one.accessible_name  # the driver gives no name to what is folded
    return " ".join(name.split())


class Mouse(Hands):
    """Clicks, and nothing else; text is typed, because no page can be told a name otherwise."""

    def use(self, role: str, name: str) -> None:
        before = self.pressed

        def clicked(page: webdriver.Chrome) -> bool:
            if (found := self.named(role, name)) is None:
                return False
            # the wheel: element.click() refuses a file field, and scrolls under what stays at the edge of the window
            ActionChains(page).scroll_to_element(found).perform()
            if moves(page, found):  # what is loaded above it has pushed it away: a hand waits too
                return False
            ActionChains(page).move_to_element(found).click().perform()
            return True

        # a table that is drawn again in this moment is looked at again
        WebDriverWait(self.page, SOON_S, ignored_exceptions=(StaleElementReferenceException,)).until(clicked)
        self.pressed += 1
        self.note(name, before)

    def write(self, name: str, text: str) -> None:
        self.use("field", name)
        ActionChains(self.page).send_keys(text).perform()
        self.letters += len(text)

    def pick(self, name: str, option: str) -> None:
        self.use("select", name)
        found = self.named("select", name)
        assert found is not None, name
        ActionChains(self.page).send_keys(Keys.ESCAPE).perform()
        Select(found).select_by_visible_text(option)  # the list of a menu is drawn by the system
        self.pressed += 1


class Keyboard(Hands):
    """Tab, Shift+Tab, Enter, Space, arrows and letters."""

    def press(self, *keys: str) -> None:
        """Press keys together."""
        chain = ActionChains(self.page)
        for key in keys[:-1]:
            chain.key_down(key)
        chain.send_keys(keys[-1])
        for key in keys[:-1]:
            chain.key_up(key)
        chain.perform()
        self.pressed += 1

    def at(self, role: str, name: str) -> bool:
        """Return whether the focus is on what has a role and a name."""
        with suppress(StaleElementReferenceException, JavascriptException):
            focused = self.page.execute_script(FOCUSED)
            return isinstance(focused, WebElement) and called(focused) == name and bool(
                self.page.execute_script("return arguments[0].matches(arguments[1])", focused, ROLES[role]))
        return False

    def reach(self, role: str, name: str, back: bool = False) -> None:
        """Go to what has a role and a name, with Tab alone."""
        WebDriverWait(self.page, SOON_S, ignored_exceptions=(StaleElementReferenceException,)).until(
            lambda _: self.named(role, name) is not None)
        for _ in range(MOST_TABS):
            if self.at(role, name):
                return
            if not back and self._skips(role, name):
                self.press(Keys.ENTER)
            self.press(*((Keys.SHIFT,) if back else ()), Keys.TAB)
        raise AssertionError(f"{MOST_TABS} times Tab do not reach the {role} {name!r}")

    def _skips(self, role: str, name: str) -> bool:
        """Return whether the focus is on a link that skips a part of the page in which the wanted thing is not."""
        with suppress(StaleElementReferenceException, JavascriptException):
            wanted = self.named(role, name)
            return wanted is not None and bool(self.page.execute_script(SKIPS, wanted))
        return False

    def use(self, role: str, name: str, back: bool = False) -> None:
        before = self.pressed
        self.reach(role, name, back)
        self.press(Keys.SPACE if role == "checkbox" else Keys.ENTER)
        self.note(name, before)

    def write(self, name: str, text: str) -> None:
        before = self.pressed
        self.reach("field", name)
        ActionChains(self.page).send_keys(text).perform()
        self.letters += len(text)
        self.note(name, before)

    def pick(self, name: str, option: str) -> None:
        before = self.pressed
        self.reach("select", name)
        menu = self.named("select", name)
        assert menu is not None, name
        for _ in Select(menu).options:
            if Select(menu).first_selected_option.text == option:
                break
            self.press(Keys.ARROW_DOWN)
        assert Select(menu).first_selected_option.text == option
        self.note(name, before)


@dataclass
class Opened:
    """A window that runs: its first address, its folder, its process.

    Attributes
    ----------
    address : str
        With the key.
    root : Path
        Folder of the areas.
    process : Popen
    """

    address: str
    root: Path
    process: subprocess.Popen[str]

    def work_s(self) -> float:
        """Return the seconds that the window and its workers have computed so far."""
        main = psutil.Process(self.process.pid)
        return float(sum(sum(one.cpu_times()[:2]) for one in (main, *main.children(recursive=True))))


@contextmanager
def window(root: Path, *options: str) -> Iterator[Opened]:
    """Open a window without a browser, and close it at the end."""
    running = subprocess.Popen([sys.executable, "-m", "riskmap", "open", str(root), "--no-browser", *options],
                               stdout=subprocess.PIPE, text=True)
    assert running.stdout is not None
    opened = Opened(running.stdout.readline().strip(), root, running)
    try:
        assert opened.address.startswith("http://127.0.0.1:")
        yield opened
    finally:
        running.terminate()
        running.wait(SOON_S)


def wide(page: webdriver.Chrome, width: int) -> None:
    """Let the window of the browser have a width in CSS px: 390 as a phone, otherwise as a desk."""
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": width, "height": 844 if width < 500 else 900, "deviceScaleFactor": 1, "mobile": False})


def drop(page: webdriver.Chrome, name: str, files: list[Path]) -> None:
    """Drop files of the system onto the place of a field for files."""
    place = next(one for one in page.find_elements(By.CSS_SELECTOR, ROLES["file"]) if called(one) == name)
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", place)
    box = page.execute_script("const b = arguments[0].getBoundingClientRect(); return [b.x + b.width / 2, b.y - 8]",
                              place)
    held = {"items": [], "files": [str(path.resolve()) for path in files], "dragOperationsMask": 1}
    for kind in ("dragEnter", "dragOver", "drop"):
        page.execute_cdp_cmd("Input.dispatchDragEvent", {"type": kind, "x": box[0], "y": box[1], "data": held})


def moves(page: webdriver.Chrome, one: WebElement) -> bool:
    """Return whether something is not where it was a tenth of a second before."""
    where = "const b = arguments[0].getBoundingClientRect(); return [b.x, b.y]"
    before = page.execute_script(where, one)
    time.sleep(0.1)
    return bool(page.execute_script(where, one) != before)


def until(true: Callable[[], bool], seconds: float = LONG_S) -> None:
    """Wait until something is true."""
    began = time.monotonic()
    while not true():
        assert time.monotonic() - began < seconds, f"not true after {seconds} s"
        time.sleep(0.05)


@contextmanager
def resting(window: psutil.Process) -> Iterator[None]:
    """Let the workers of a window rest, so that its work goes on as long as the test wants."""
    workers = window.children(recursive=True)
    for worker in workers:
        worker.suspend()
    try:
        yield
    finally:
        for worker in workers:
            worker.resume()
