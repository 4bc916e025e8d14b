"""`riskmap brief`: one page per lot to take along, a summary of the area, an order of visits."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.runs import CALIBRATION, OUTPUTS, UNITS, UNVERIFIED, say_note
from riskmap.cli.screen import named
from riskmap.cli.terminal import say, show_files
from riskmap.common.errors import counted


@click.command(short_help="Write a page per lot, a summary and an order of visits.")
@click.argument("run")
@click.option("--lots", "ids", multiple=True, metavar="ID,ID",
              help="Lots by identifier, separated by commas; may be given several times.")
@click.option("--visits", type=click.Path(path_type=Path), default=None,
              help="A list (CSV, XLSX, KML, GeoJSON) of parcel ids, addresses or coordinates: a page for every row, in "
                   "the order of the list. Its columns hour, order, address and remark are printed.")
@click.option("--column", "columns", multiple=True, metavar="OURS=THEIRS",
              help="What a column of the list is: lot_id, address, lon, lat, geometry, hour, order or remark; for "
                   "example --column hour=TIME. Addresses are compared with the labels of the run.")
@click.option("--top", type=click.IntRange(1, 500), default=None, metavar="N",
              help="Number of lots with the largest estimate.")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True)
@click.option("--each", is_flag=True, help="Also one PDF per page.")
@CALIBRATION
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="New or empty folder; default: a new one in the folder of runs.")
@UNITS
@UNVERIFIED
@OUTPUTS
def brief(run: str, ids: tuple[str, ...], visits: Path | None, columns: tuple[str, ...], top: int | None, paper: str,
          each: bool, calibration: Path | None, into: Path | None, units: str, unverified: bool, outputs: Path) -> None:
    """Write one page per lot of RUN (PDF and HTML), a summary of the area and an order of visits.

    Exit 1 when a page has a state instead of an estimate.
    """
    from riskmap import api

    lots = [lot.strip() for lot in ",".join(ids).split(",") if lot.strip()]
    outcome = api.brief(run, lots=lots, visits=visits, top=top, columns=named(columns), paper=paper, each=each,
                        calibration=calibration, into=into, units=units, outputs=outputs, verified=not unverified)
    say_note(outcome.note)
    show_files(outcome.files)
    pages = outcome.answer.pages
    without = sum(1 for page in pages if page["state"])
    say(f"{counted(len(pages), 'page')}, {without:,} without an estimate")
    sys.exit(Exit.SOME_STATES if without else Exit.ALL_ANSWERED)
