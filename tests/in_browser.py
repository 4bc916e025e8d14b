"""Headless Chromium for tests: where it is, how it starts, and what happens where it is not there."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.support.ui import WebDriverWait

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
DRIVER = shutil.which("chromedriver")
NO_HOST, LOOPBACK_ONLY = "MAP * ~NOTFOUND", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1280,900",
         "--force-device-scale-factor=1")

SOON_S = 60  # for what takes a moment on a machine that does nothing else
# Timers of a page run in the order of their times, however late they are: what the page has put off for less is done.
REST = """
const [ms, done] = arguments, frame = document.hidden ? (next) => setTimeout(next) : requestAnimationFrame;
setTimeout(() => frame(() => frame(() => done())), ms);"""


def marks(what: str) -> list[pytest.MarkDecorator]:
    """Return the marks of a module: without a browser its tests are skipped, saying so; in CI they run and fail."""
    absent = not (CHROMIUM and DRIVER) and not os.environ.get("CI")
    return [pytest.mark.browser, pytest.mark.skipif(
        absent, reason=f"chromium or chromedriver not found: {what} is NOT TESTED in a browser")]


@contextmanager
def started(profile: Path, hosts: str = NO_HOST) -> Iterator[webdriver.Chrome]:
    """Start a browser with a profile of its own that can reach no host, or only this machine."""
    assert CHROMIUM, "no chromium here"
    assert DRIVER, "no chromedriver here"
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--host-resolver-rules={hosts}", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(executable_path=DRIVER))
    try:
        yield driver
    finally:
        driver.quit()


def until(page: webdriver.Chrome, true: Callable[[webdriver.Chrome], Any]) -> None:
    """Wait until something is true of a page, which may put other elements in place of those it has."""
    WebDriverWait(page, SOON_S, 0.1, (NoSuchElementException, StaleElementReferenceException)).until(true)


def rest(page: webdriver.Chrome, seconds: float) -> None:
    """Wait until these seconds have passed for the page itself and it has been drawn twice since.

    The page of a busy computer lags behind the clock, so that the same seconds of the test would be too short.
    """
    page.execute_async_script(REST, 1000 * seconds)
