"""Seeded mutation with coverage, for `fuzz_readers.py` where atheris is not installed: the same targets and oracle.

An input that runs a line of riskmap that none before it ran is kept and mutated further. Equal seed and number of runs
give equal inputs.
"""

from __future__ import annotations

import random
import signal
import sys
import time
from collections.abc import Callable
from types import CodeType, FrameType
from typing import Any

LONGEST = 131_072
HANGS_AFTER = 20
OFTEN = 30
WORDS = [b"", b",", b";", b"\t", b"\n", b"\r", b"\r\n", b'"', b'""', b"'", b"\x00", b"\xef\xbb\xbf", b"\xff\xfe",
         b"\xff", b"=", b"-", b"+", b"@", b".", b"/", b" ", b"0", b"-0", b"1e308", b"9" * 40, b"nan", b"inf", b"1/0",
         b"1 3/8", "½".encode(), "１".encode(), "\u202e".encode(), b"\xed\xa0\x80", b"2026-03-02", b"0001-01-01",
         b"9999-12-31", b"[", b"]", b"{", b"}", b"<", b">", b"&", b"[[", b"null", b"true", b"{{1*1}}",
         b"row", b"lot_id", b"A" * 300]


class _Lines:
    """Which lines of riskmap have run; `fresh` says whether the last input ran a new one.

    A function that has shown nothing new in `OFTEN` calls is watched in one call of `OFTEN` only: watching is slow.
    """

    def __init__(self) -> None:
        self.seen: dict[CodeType, set[int]] = {}
        self.stale: dict[CodeType, int] = {}
        self.fresh = False

    def __call__(self, frame: FrameType, event: str, arg: object) -> Callable[..., Any] | None:
        if "riskmap/" not in frame.f_code.co_filename.replace("\\", "/"):
            return None
        lines = self.seen.setdefault(frame.f_code, set())
        self.stale[frame.f_code] = stale = self.stale.get(frame.f_code, 0) + 1
        if stale > OFTEN and stale % OFTEN:
            return None

        def line(frame: FrameType, event: str, arg: object) -> Callable[..., Any]:
            if event == "line" and frame.f_lineno not in lines:
                lines.add(frame.f_lineno)
                self.fresh, self.stale[frame.f_code] = True, 0
            return line

        return line

    @property
    def count(self) -> int:
        return sum(map(len, self.seen.values()))


def mutated(data: bytes, others: list[bytes], draw: random.Random) -> bytes:
    """Return a changed copy: bits, bytes, words, pieces moved, doubled, removed, or taken from another input."""
    out = bytearray(data)
    for _ in range(draw.choice((1, 1, 2, 3, 6))):
        at, size = draw.randrange(len(out) + 1), draw.choice((1, 2, 4, 9, 40, 200))
        kind = draw.randrange(8)
        if kind == 0 and out:
            out[at % len(out)] ^= 1 << draw.randrange(8)
        elif kind == 1:
            out[at:at + draw.randrange(2)] = bytes([draw.randrange(256)])
        elif kind in (2, 3):
            out[at:at + draw.choice((0, 0, 1, 4))] = draw.choice(WORDS)
        elif kind == 4:
            del out[at:at + size]
        elif kind == 5:
            out[at:at] = out[at:at + size] * draw.choice((1, 1, 3, 50))
        elif kind == 6:
            other = draw.choice(others)
            start = draw.randrange(len(other) + 1)
            out[at:at + draw.choice((0, size))] = other[start:start + size]
        elif out:  # a cell or line of the input in the place of another
            mark = draw.choice(b",\n\t;")
            pieces = bytes(out).split(bytes([mark]))
            pieces[draw.randrange(len(pieces))] = draw.choice(pieces)
            out = bytearray(bytes([mark]).join(pieces))
    return bytes(out[:LONGEST])


def _stopped(number: int, frame: FrameType | None) -> None:
    raise TimeoutError(f"more than {HANGS_AFTER} s")


def fuzz(seeds: list[bytes], judge: Callable[[bytes], None], seconds: float, runs: int, seed: int) -> int:
    """Judge the seeds and then mutations of them, for this many seconds or runs; return the number of inputs."""
    draw, lines, corpus, count = random.Random(seed), _Lines(), list(seeds), 0
    signal.signal(signal.SIGPROF, _stopped)
    end = time.monotonic() + seconds
    while count < len(seeds) or (time.monotonic() < end and count < runs):
        data = seeds[count] if count < len(seeds) else mutated(draw.choice(corpus), corpus, draw)
        lines.fresh = False
        signal.setitimer(signal.ITIMER_PROF, HANGS_AFTER)  # seconds of work, not of waiting
        sys.settrace(lines)
        try:
            judge(data)
        finally:
            sys.settrace(None)
            signal.setitimer(signal.ITIMER_PROF, 0)
        if lines.fresh and count >= len(seeds):
            corpus.append(data)
        count += 1
    sys.stderr.write(f"stat::number_of_executed_units: {count}\nstat::lines: {lines.count}\n"
                     f"stat::kept: {len(corpus)}\n")
    return count
