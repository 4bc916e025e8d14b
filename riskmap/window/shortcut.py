"""A file that starts riskmap by a double click: .desktop, .command or .bat, as the system wants it."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path

from riskmap.window.refusals import WindowError

NAMES = {"linux": "riskmap.desktop", "darwin": "riskmap.command", "win32": "riskmap.bat"}


def text(system: str, python: str, root: str) -> str:
    """Return the content of the start file.

    Parameters
    ----------
    system : str
        As `sys.platform`; one that is not known gets the file of Linux.
    python : str
        The Python in which riskmap is installed.
    root : str
        Folder of the areas.
    """
    words = [python, "-P", "-m", "riskmap", "open", root]  # -P: nothing in the current folder is taken for a module
    if system == "win32":
        return "@echo off\r\n" + " ".join(f'"{word}"'.replace("%", "%%") for word in words) + "\r\n"
    if system == "darwin":
        return f"#!/bin/sh\nexec {shlex.join(words)}\n"
    quoted = " ".join(_desktop_word(word) for word in words)
    return (f"[Desktop Entry]\nType=Application\nName=riskmap\nComment=Open riskmap in the browser of this computer\n"
            f"Exec={quoted}\nTerminal=true\n")


def _desktop_word(word: str) -> str:
    """Quote a word of an Exec line: first as an argument, then as a value (Desktop Entry Specification 1.5)."""
    for sign in ("\\", '"', "`", "$"):
        word = word.replace(sign, f"\\{sign}")
    return f'"{word}"'.replace("\\", "\\\\").replace("%", "%%")


def write(folder: Path, root: Path) -> Path:
    """Write the start file of this system into a folder; nothing is overwritten.

    Raises
    ------
    WindowError
        When a file of this name is there, or the folder cannot be written.
    """
    system = sys.platform if sys.platform in NAMES else "linux"
    path = folder / NAMES[system]
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o755)
        with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as file:
            file.write(text(system, sys.executable, str(root.resolve())))
    except OSError as error:
        raise WindowError(f"E-WIN-020 {path.as_posix()}: the start file cannot be written: {error.strerror}. Remove "
                          "the one that is there, or use another folder.") from None
    return path
