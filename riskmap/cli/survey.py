"""`riskmap survey`: elevation readings of one house."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.numbers import Finite
from riskmap.cli.runs import UNVERIFIED, say_note
from riskmap.cli.terminal import say, show_files


@click.command(short_help="Turn floor readings of a house into levels and drawings.")
@click.argument("readings", type=click.Path(path_type=Path))
@click.option("--second", type=click.Path(path_type=Path), default=None, help="A later survey of the same house.")
@click.option("--within", "within_m", type=Finite(min=0.01, max=5), default=None, metavar="METRES",
              help="Match points of the two surveys by place, not by name.")
@click.option("--run", default=None, help="Run folder, or latest: compare with what is expected of --lot.")
@click.option("--lot", default=None, help="lot_id in the run.")
@click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
              help="Where runs are.")
@click.option("--line", "lines", multiple=True, metavar="A,B", help="Deflection along the line from point A to B.")
@click.option("--lines", "lines_file", type=click.Path(path_type=Path), default=None,
              help="CSV with columns from and to.")
@click.option("--reference", default=None, help="Point whose level is 0. Default: the mean of all points.")
@click.option("--house", default=None, help="Row to use in a file with one row per house.")
@click.option("--interval", type=Finite(min=0.05, max=100), default=None,
              help="Contour interval in in (us; default 0.2) or mm (si; default 5).")
@click.option("--gap", type=Finite(min=0.5, max=50), default=6.0, show_default=True, metavar="METRES",
              help="No contour across a wider gap between points; the diagonal of a grid's cell is not one.")
@click.option("--rib-depth", "rib_depth_mm", type=Finite(min=100, max=2000), default=None, metavar="MM",
              help="Total depth of slab and rib: with --second and a point on open ground, says what they decide.")
@click.option("--origin", type=(Finite(-180, 180), Finite(-85, 85)), default=None, metavar="LON LAT",
              help="Degrees of the drawing's 0,0: adds GeoJSON.")
@click.option("--bearing", type=Finite(-360, 360), default=None,
              help="Degrees of +y clockwise from north; without it the sheet shows no north.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True)
@click.option("--into", "folder", type=click.Path(path_type=Path), default=Path("survey"), show_default=True,
              help="New or empty folder that receives the files.")
@UNVERIFIED
def survey(readings: Path, second: Path | None, within_m: float | None, run: str | None, lot: str | None, outputs: Path,
           lines: tuple[str, ...], lines_file: Path | None, reference: str | None, house: str | None,
           interval: float | None, gap: float,
           rib_depth_mm: float | None, origin: tuple[float, float] | None, bearing: float | None, units: str,
           folder: Path, unverified: bool) -> None:
    """Turn elevation readings of a house into levels, tilt, deflection, contours and change.

    Columns: point, x_ft or x_m, y_ft or y_m, elevation_in (or _mm, _m, _ft); optional: zero, floor, floor_offset_in,
    exclude, date, unit, lot_id, instrument. Readings that contradict each other, the column's unit, the dates or the
    run are listed; what they put in doubt is not compared. Exit 1 when a reading could not be used or the survey
    contradicts itself.
    """
    from riskmap import api

    if (run is None) != (lot is None):
        raise click.UsageError("give --run and --lot together")
    outcome = api.survey(readings, second, within_m=within_m, run=run, lot=lot, lines=[_pair(text) for text in lines],
                         lines_file=lines_file, reference=reference, house=house, interval=interval, gap=gap,
                         rib_depth_mm=rib_depth_mm, origin=origin, bearing=bearing, units=units, into=folder,
                         outputs=outputs, verified=not unverified)
    say_note(outcome.note)
    for line in outcome.answer.lines:
        say(line)
    show_files(outcome.files)
    sys.exit(Exit.ALL_ANSWERED if outcome.answer.sound else Exit.SOME_STATES)


def _pair(text: str) -> tuple[str, str]:
    one, mark, two = text.partition(",")
    if not mark or not one.strip() or not two.strip():
        raise click.UsageError(f"--line is A,B, not {text!r}")
    return one.strip(), two.strip()
