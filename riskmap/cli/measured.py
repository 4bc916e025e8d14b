"""`riskmap measured`: compare a measured series with the driver of a run."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.numbers import Finite
from riskmap.cli.runs import OUTPUTS, UNVERIFIED, say_note
from riskmap.cli.terminal import say, show_files


@click.command(short_help="Compare measured soil moisture or ground with a run.")
@click.argument("series", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--run", default="latest", show_default=True, help="Run folder, or latest.")
@click.option("--cell", default=None, metavar="NAME", help="Climate cell of the run, where it has several.")
@click.option("--lot", default=None, metavar="LOT_ID",
              help="Lot of the run: its climate cell, and its soil for the size of a level's movement.")
@click.option("--kind", type=click.Choice(["m3_m3", "pct", "share", "mm"]), default=None,
              help="What the values are, where the heading is `value` alone: water content in m3/m3 or % of volume, "
              "relative wetness from 0 to 1, or ground level in mm.")
@click.option("--dry", type=Finite(), default=None, metavar="VALUE",
              help="Water content of the driest ground, in the unit of FILE; with --wet. Default: the smallest value.")
@click.option("--wet", type=Finite(), default=None, metavar="VALUE",
              help="Water content of the wettest ground; with --dry. Default: the largest value.")
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="New or empty folder; default: a new one in the folder of runs.")
@UNVERIFIED
@OUTPUTS
def measured(series: Path, run: str, cell: str | None, lot: str | None, kind: str | None, dry: float | None,
             wet: float | None, into: Path | None, unverified: bool, outputs: Path) -> None:
    """Compare a measured series of soil moisture or ground level with the weather part of a run.

    FILE is a CSV with the columns date (YYYY-MM-DD, or YYYY-MM for the end of a month), depth_m, and one of
    value_m3_m3, value_pct, value_share, value_mm (level, up positive). Compared are timing, anomalies, mean wetness,
    damping and lag between depths, and the yearly movement of a level. At least 24 month ends are needed, 36 for
    anomalies. Nothing is fitted, and no estimate changes.

    Exit 1 when a row could not be used or nothing could be said.
    """
    from riskmap import api

    if (dry is None) != (wet is None):
        raise click.UsageError("give --dry and --wet together")
    if dry is not None and wet is not None and not dry < wet:
        raise click.UsageError(f"--dry must be below --wet, and {dry:g} is not below {wet:g}")
    outcome = api.measured(series, run, cell=cell, lot=lot, kind=kind, dry=dry, wet=wet, into=into, outputs=outputs,
                           verified=not unverified)
    say_note(outcome.note)
    for line in outcome.answer.lines:
        say(line)
    show_files(outcome.files)
    sys.exit(Exit.ALL_ANSWERED if outcome.answer.sound else Exit.SOME_STATES)
