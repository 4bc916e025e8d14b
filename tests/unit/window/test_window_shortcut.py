"""The start file for a double click."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from riskmap.cli.main import cli
from riskmap.window import shortcut
from riskmap.window.refusals import WindowError

ODD = '/a "b" $HOME `id` 100% \\ä/py'


def test_the_shell_gets_every_word_as_it_is(tmp_path: Path) -> None:
    shown = tmp_path / "python ' $x"
    shown.write_text('#!/bin/sh\nprintf "%s\\n" "$@"\n', encoding="utf-8")
    shown.chmod(0o755)
    start = tmp_path / "riskmap.command"
    start.write_text(shortcut.text("darwin", str(shown), ODD), encoding="utf-8")
    start.chmod(0o755)
    said = subprocess.run([str(start)], capture_output=True, text=True, check=True).stdout.splitlines()
    assert said == ["-P", "-m", "riskmap", "open", ODD]


def test_the_desktop_entry_keeps_odd_words_in_one_argument() -> None:
    lines = shortcut.text("linux", "/usr/bin/python3", ODD).splitlines()
    (line,) = [line for line in lines if line.startswith("Exec=")]
    value = line.removeprefix("Exec=").replace("\\\\", "\\").replace("%%", "%")  # escapes of a value, field codes
    words = [re.sub(r'\\(["`$\\])', r"\1", word) for word in re.findall(r'"((?:\\.|[^"\\])*)"', value)]
    assert words == ["/usr/bin/python3", "-P", "-m", "riskmap", "open", ODD]


def test_the_batch_file_has_no_variable() -> None:
    assert shortcut.text("win32", "C:\\py.exe", "C:\\100%\\x").splitlines()[1] == (
        '"C:\\py.exe" "-P" "-m" "riskmap" "open" "C:\\100%%\\x"')


def test_it_is_written_once_and_opens_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(cli, ["open", "my areas", "--shortcut"])
    assert done.exit_code == 0, done.output
    (path,) = tmp_path.iterdir()
    assert path.name in shortcut.NAMES.values()
    assert str(tmp_path / "my areas") in path.read_text(encoding="utf-8").replace("\\\\", "\\")
    assert os.access(path, os.X_OK)
    with pytest.raises(WindowError, match="E-WIN-020"):
        shortcut.write(tmp_path, tmp_path)
