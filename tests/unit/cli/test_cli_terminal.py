"""Control characters do not reach the terminal, whoever writes; what is said stays as it is."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from each_case import check_each

from riskmap.cli.terminal import Guarded, guarded

ROOT = Path(__file__).resolve().parents[3]


def written(*texts: str, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    stream = Guarded(io.TextIOWrapper(raw, encoding=encoding, newline=""))
    for text in texts:
        stream.write(text)
    stream.flush()
    return raw.getvalue().decode(encoding)


def test_words_and_line_ends_stay() -> None:
    assert written("Größe 地 “a”\n\n", "b") == "Größe 地 “a”\n\nb"


def test_control_characters_are_written_out() -> None:
    def check(sign: str) -> None:
        assert written(f"a{sign}b\n") == f"a\\u{ord(sign):04x}b\n"

    check_each([*map(chr, (*range(9), *range(11, 32), 127, *range(128, 160))), "\u202e", "\u2066", "\u200b", "\ufeff",
                "\u2028"], check)


def test_a_line_of_progress_may_be_rewritten_but_not_what_was_said() -> None:
    assert written("\r  50 %") == "\r  50 %"
    assert written("name\rother\n") == "name\\u000dother\n"
    assert written("\r\x1b[2J\r") == "\r\\u001b[2J\\u000d"


@pytest.mark.parametrize(("encoding", "wanted"), [
    ("cp1252", "Ä-1 \\u6771 \\udcff\n"), ("ascii", "\\xc4-1 \\u6771 \\udcff\n"), ("utf-8", "Ä-1 東 \\udcff\n")])
def test_what_the_terminal_cannot_write_is_written_out(encoding: str, wanted: str) -> None:
    assert written("Ä-1 東 \udcff\n", encoding=encoding) == wanted


def test_whoever_writes(capsys: pytest.CaptureFixture[str]) -> None:
    @guarded
    def main() -> None:  # type: ignore[misc]
        print("print \x07")
        click.echo("echo \x07", color=True)
        click.echo("error \x07", err=True, color=True)
        print("library \x07", file=sys.stderr)
        click.UsageError("usage \x07").show()

    before = sys.stdout, sys.stderr
    main()
    assert (sys.stdout, sys.stderr) == before
    said = capsys.readouterr()
    assert "\x07" not in said.out + said.err
    for word in ("print", "echo", "error", "library", "usage"):
        assert f"{word} \\u0007" in said.out + said.err


def test_bytes_are_refused_as_any_text_stream_does() -> None:
    with pytest.raises(TypeError):
        Guarded(io.StringIO()).write(b"")  # type: ignore[arg-type]


def test_the_command_line_is_guarded() -> None:
    done = subprocess.run([sys.executable, "-m", "riskmap", "explain", "no\x1b[2Jrun", "1"], cwd=ROOT, text=True,
                          capture_output=True, check=False, env={**os.environ, "FORCE_COLOR": "1"})
    assert done.returncode == 2
    assert "no\\u001b[2Jrun" in done.stderr
    assert "\x1b" not in done.stderr
