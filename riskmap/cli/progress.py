"""The stages of a run: a moving bar with the time left on a terminal, a plain line per stage elsewhere."""

from __future__ import annotations

import sys
import time

import click

from riskmap.cli.exit_codes import check_stopped
from riskmap.cli.terminal import progress_line

BAR = 24  # columns; judgement
FROM_S, FROM_SHARE = 1.0, 0.03  # before that, the time left cannot be computed well (judgement)


class Progress:
    """One line on stderr per stage, rewritten in place on a terminal."""

    def __init__(self) -> None:
        """Begin without a stage."""
        self._stage, self._shown, self._began = "", -1, 0.0
        self._live = sys.stderr.isatty()

    def __call__(self, stage: str, share: float) -> None:
        """Show the finished share of a stage, 0 to 1."""
        check_stopped()
        percent = int(100 * share)
        if stage != self._stage:
            self._began = time.monotonic()
        elif percent == self._shown or (not self._live and percent < 100):
            return
        if self._live:
            progress_line(line(stage, share, time.monotonic() - self._began), end=percent >= 100)
        elif percent >= 100:
            click.echo(f"  {stage}", err=True)
        self._stage, self._shown = stage, percent


def line(stage: str, share: float, passed_s: float) -> str:
    """Return the line of a stage: a bar, the finished share and the time left; at its end the time that it took.

    The time left is computed from the time that has passed, as if the pace stayed the same.
    """
    if share >= 1:
        return f"  {stage:<26} done in {spoken(passed_s)}"
    full = int(BAR * share)
    known = passed_s >= FROM_S and share >= FROM_SHARE
    left = f"  about {spoken(passed_s * (1 - share) / share)} left" if known else ""
    return f"  {stage:<26} [{'#' * full}{'.' * (BAR - full)}] {int(100 * share):3d} %{left}"


def spoken(seconds: float) -> str:
    """Return a time in seconds, minutes or hours; at least one second."""
    if seconds < 90:
        return f"{max(round(seconds), 1)} s"
    return f"{round(seconds / 60)} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
