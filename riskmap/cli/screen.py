"""`riskmap screen`: a list of parcels or coordinates in, the same rows out with added columns."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.numbers import Finite
from riskmap.cli.runs import CALIBRATION, OUTPUTS, UNITS, UNVERIFIED, say_note
from riskmap.cli.terminal import say, show_files
from riskmap.common.errors import LayerError
from riskmap.common.wording import CAUTION_LENDER

SHOWN_PROBLEMS = 20
COLUMNS = click.option(
    "--column", "columns", multiple=True, metavar="OURS=THEIRS",
    help="What a column of the file is, our name first; for example --column lot_id=PARCEL.")


@click.command(short_help="Add estimates to a list of parcels, addresses or places.")
@click.argument("run")
@click.argument("listing", type=click.Path(path_type=Path))
@COLUMNS
@click.option("--bands", type=click.Path(path_type=Path), default=None,
              help="TOML file with movement_mm = [5, 10, 20, 35]: other bands, the same for every row.")
@click.option("--groups", default=None, metavar="COLUMN",
              help="Self-check: show how estimates and missing data are spread over the groups in this "
              "column of the list.")
@click.option("--within", "within_m", type=Finite(0, 500), default=0.0, show_default=True, metavar="METRES",
              help="Match a point outside every lot to the only lot within this distance; two candidates make it "
              "ambiguous. 0 accepts only points inside a lot. Use it when the lots are points, or when points lie "
              "on the street and the list has no parcel ids.")
@click.option("--choices", type=click.Path(path_type=Path), default=None,
              help="CSV with row and chosen_lot_id: which lot some rows mean. An earlier screening writes it "
              "(choices.csv) for the rows without a lot; fill in the lot that is meant.")
@click.option("--why", is_flag=True, help="Print every row's reasons.")
@CALIBRATION
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="New or empty folder; default: a new one in the folder of runs.")
@UNITS
@UNVERIFIED
@OUTPUTS
def screen(run: str, listing: Path, columns: tuple[str, ...], bands: Path | None, groups: str | None, within_m: float,
           choices: Path | None, calibration: Path | None, why: bool, into: Path | None, units: str, unverified: bool,
           outputs: Path) -> None:
    """Answer every row of LISTING (CSV, XLSX, KML, GeoJSON) from RUN: same rows, same order, columns added.

    Every column of the list comes back as text, those about people empty. Rows are ranked by their long run.
    Columns that can be named: lot_id, address, lon, lat, geometry. Addresses are compared with the labels of the run.
    To leave out a column that is taken by its name, name nothing: --column lot_id=

    Use it only to decide which properties need a closer look. Do not use it to approve, decline, price or value.

    Exit 1 when some rows have no estimate.
    """
    from riskmap import api

    outcome = api.screen(run, listing, columns=named(columns, empty=True), bands=bands, groups=groups,
                         within_m=within_m, choices=choices, calibration=calibration, into=into, units=units,
                         outputs=outputs, verified=not unverified)
    say_note(outcome.note)
    done = outcome.answer
    for problem in done.problems[:SHOWN_PROBLEMS]:
        say(f"  {problem}")
    counts, *more = done.lines
    for line in [f"{listing.name}: {counts}", *more, *(f"  {row}" for row in done.reasons if why), CAUTION_LENDER]:
        say(line)
    show_files(outcome.files)
    sys.exit(Exit.SOME_STATES if done.counts["with_estimate"] < done.counts["rows"] else Exit.ALL_ANSWERED)


def named(pairs: tuple[str, ...], *, empty: bool = False) -> dict[str, str]:
    """Return our name -> the list's column of `--column OURS=THEIRS`; LayerError for anything else.

    `empty`: whether `OURS=` is allowed too, which says that no column is it.
    """
    out = {}
    for pair in pairs:
        ours, mark, theirs = pair.partition("=")
        if not mark or not (theirs or empty):
            raise LayerError(f"E-SCR-005 --column {pair}: write OURS=THEIRS, for example --column lot_id=PARCEL.")
        out[ours.strip()] = theirs.strip()
    return out
