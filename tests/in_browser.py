"""Headless Chromium for tests: where it is, how it starts, and what happens where it is not there."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from selenium import webdriver

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
DRIVER = shutil.which("chromedriver")
NO_HOST, LOOPBACK_ONLY = "MAP * ~NOTFOUND", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1280,900",
         "--force-device-scale-factor=1")


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
