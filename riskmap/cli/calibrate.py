"""`riskmap calibrate`: compare a run with measured surveys, and fit a calibration when they allow it."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.numbers import Finite
from riskmap.cli.runs import UNVERIFIED, say_note
from riskmap.cli.terminal import say, show_files

SHOWN_PROBLEMS = 20


def _former_name(_: click.Context, __: click.Parameter, value: str | None) -> None:
    if value is not None:
        raise click.UsageError(f"--model is now called --calibration: riskmap calibrate RUN --calibration {value}")


@click.command(short_help="Compare a run with measured houses; compute a correction.")
@click.argument("run")
@click.argument("surveys", type=click.Path(path_type=Path), required=False)
@click.option("--model", hidden=True, expose_value=False, callback=_former_name)
@click.option("--calibration", type=click.Path(path_type=Path), default=None, metavar="FILE",
              help="Instead of SURVEYS: apply a calibration.json that was made before to the lots of RUN.")
@click.option("--range-m", type=Finite(min=50, max=20_000), default=500.0, show_default=True,
              metavar="METRES", help="Houses closer than this are taken as neighbours that are alike, and are tested "
              "together.")
@click.option("--workers", type=click.IntRange(1, 256), default=None,
              help="Threads; the result does not depend on it. Default: all cores.")
@UNVERIFIED
@click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
              help="Folder in which `latest` is looked up.")
@click.option("--into", "folder", type=click.Path(path_type=Path), default=None,
              help="New or empty folder that receives the files. Default: a new one in the folder of runs.")
def calibrate(run: str, surveys: Path | None, calibration: Path | None, range_m: float, workers: int | None,
              unverified: bool, outputs: Path, folder: Path | None) -> None:
    """Compare RUN (a run folder or `latest`) with measured houses and compute a correction where they allow it.

    SURVEYS is a CSV with one comparison per row: lot_id, first_date (YYYY-MM); second_date and change_mm (second minus
    first), or dome_mm (middle minus edge). Optional: reading_sd_mm (reading error), source (who measured), block
    (houses that belong together), exclude (yes leaves the row out). The run does not change. The file card.md says what
    was found. Exit 1 when a row could not be compared, or when the surveys do not allow a correction.
    """
    from riskmap import api

    done = api.calibrate(run, surveys, calibration=calibration, range_m=range_m, workers=workers, into=folder,
                         outputs=outputs, verified=not unverified, warn=say)
    say_note(done.note)
    problems = done.answer.problems
    for problem in problems[:SHOWN_PROBLEMS]:
        say(f"  {problem}")
    if len(problems) > SHOWN_PROBLEMS:
        say(f"  ... and {len(problems) - SHOWN_PROBLEMS} more; all of them are in problems.json")
    for line in done.answer.lines:
        say(line)
    show_files(done.files)
    sys.exit(Exit.ALL_ANSWERED if done.answer.whole else Exit.SOME_STATES)
