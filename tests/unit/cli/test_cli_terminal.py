"""What reaches the terminal: no control characters, whoever writes; lines as wide as the window; bars that move."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import click
import click.testing
import pytest
from each_case import check_each

from riskmap.cli.main import cli
from riskmap.cli.progress import line
from riskmap.cli.terminal import Guarded, guarded, wrapped

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


# ---------------------------------------------------------------- lines as wide as the window
LONG = "W-LOT-041 lots.gpkg: 81 of 1,470 lots have no pour date that can be used; fill in the column where it is known."


@pytest.mark.parametrize("columns", [40, 60, 80, 200])
def test_a_message_is_broken_between_words_at_the_width_of_the_window(columns: int) -> None:
    told = wrapped(f"  {LONG}", columns).split("\n")
    assert max(map(len, told)) <= columns
    assert " ".join(line.strip() for line in told) == LONG
    assert told[0].startswith("  W-LOT")
    assert all(line.startswith("    ") for line in told[1:])


def test_short_lines_and_words_that_are_too_long_stay_whole() -> None:
    assert wrapped("   0.53 in  the typical lot", 80) == "   0.53 in  the typical lot"
    path = "/" + "a" * 90
    assert wrapped(f"Open map: {path}", 80).split("\n") == ["Open map:", f"  {path}"]
    assert wrapped(LONG, None) == LONG


def in_a_window(columns: int, code: str) -> str:
    """Return what a program shows in a window with this many columns, as it arrives there."""
    pty = pytest.importorskip("pty", reason="pseudo-terminals are of Unix: what a WINDOW shows is NOT TESTED here")
    import fcntl
    import struct
    import termios

    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    running = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=slave, stderr=slave, env=environment)
    os.close(slave)
    out = b""
    while True:
        try:
            part = os.read(master, 65536)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        out += part
    os.close(master)
    assert running.wait() == 0
    return out.decode().replace("\r\n", "\n")


def test_a_window_gets_short_lines_and_a_pipe_whole_ones() -> None:
    code = f"from riskmap.cli.terminal import say; say({LONG!r})"
    assert in_a_window(60, code) == wrapped(LONG, 60) + "\n"
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    for more, wanted in (({}, LONG), ({"COLUMNS": "50"}, wrapped(LONG, 50))):
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True, check=True,
                              env={**environment, **more})
        assert (done.stdout, done.stderr) == ("", wanted + "\n")


def test_a_stage_has_a_moving_bar_in_a_window_and_one_line_in_a_pipe() -> None:
    code = ("import time; from riskmap.cli.progress import Progress; from riskmap.cli.terminal import say\n"
            "show = Progress()\n"
            "for share in (0, 0.25, 0.5): show('suction, ground and slab', share)\n"
            "say('A warning.')\n"
            "show('suction, ground and slab', 1.0)")
    shown = in_a_window(80, code)
    assert "\r  suction, ground and slab   [######..................]  25 %" in shown
    assert "\r  suction, ground and slab   [############............]  50 %" in shown
    assert "\nA warning.\n\r  suction, ground and slab   done in 1 s" in shown  # a message has a line of its own
    assert max(len(line) for part in shown.split("\n") for line in part.split("\r")) < 80
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True, check=True)
    assert done.stderr == "A warning.\n  suction, ground and slab\n"


def test_the_time_left_is_carried_on_from_the_time_that_passed() -> None:
    assert line("a", 0.25, 20.0).endswith("  25 %  about 60 s left")
    assert line("a", 0.1, 60.0).endswith("  10 %  about 9 min left")
    assert line("a", 0.5, 7200.0).endswith("  about 2.0 h left")
    assert line("a", 0.01, 60.0).endswith(" 1 %")  # too early to tell
    assert line("a", 0.5, 0.4).endswith(" 50 %")
    assert line("a", 1.0, 0.2).endswith("done in 1 s")


def test_the_list_of_commands_is_not_cut_at_80_columns() -> None:
    told = click.testing.CliRunner().invoke(cli, ["--help"], terminal_width=80).output
    rows = [row for row in told.split("Commands:\n")[1].split("\n\n")[0].splitlines() if row.strip()]
    assert [row.split()[0] for row in rows] == sorted(cli.commands)
    assert all(row.endswith(".") and not row.endswith("...") for row in rows), rows
    assert max(map(len, told.splitlines())) <= 80
