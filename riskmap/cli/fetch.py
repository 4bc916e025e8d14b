"""`riskmap fetch`: the only commands that use a network, besides the option --fetch."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from riskmap.cli.exit_codes import Exit, check_stopped
from riskmap.cli.terminal import say, show_files

BOX = click.Tuple([float, float, float, float])


def show_stage(stage: str, share: float) -> None:
    """Print a stage on stderr when it is finished."""
    check_stopped()
    if share >= 1.0:
        say(f"  {stage}")


def _fetch(what: str, folder: Path, **options: Any) -> None:
    from riskmap import api

    download = api.fetch(what, folder, progress=show_stage, warn=say, **options)
    show_files(download.files)


def _common(command: Callable[..., Any], into_needed: bool = True) -> Callable[..., Any]:
    for option in (
        click.option("--refresh", is_flag=True, help="Ask again for everything, whatever is stored."),
        click.option("--offline", is_flag=True, help="Use stored answers only; nothing is asked."),
        click.option("--into", "folder", type=click.Path(path_type=Path), required=into_needed,
                     help="Folder that receives the files; name it in the area file."),
    ):
        command = option(command)
    return command


@click.group(short_help="Get public soil, drought and climate files.")
def fetch() -> None:
    """Get public soil, drought and climate files; nothing else uses a network, but the option --fetch."""


@fetch.command()
@click.option("--bbox", "box", type=BOX, default=None, help="WEST SOUTH EAST NORTH in degrees.")
@click.option("--area", type=click.Path(path_type=Path), default=None,
              help="Take the box around the lots of an area file.")
@_common
def soil(box: tuple[float, float, float, float] | None, area: Path | None, folder: Path, offline: bool,
         refresh: bool) -> None:
    """Fetch the soil survey of a box, in the layout that [soil] reads."""
    if (box is None) == (area is None):
        raise click.UsageError("give either --bbox WEST SOUTH EAST NORTH or --area AREA.toml")
    _fetch("soil", folder, box=box, area=area, offline=offline, refresh=refresh)


@fetch.command()
@click.option("--from", "first", type=click.DateTime(["%Y-%m-%d"]), required=True, help="First day, YYYY-MM-DD.")
@click.option("--to", "last", type=click.DateTime(["%Y-%m-%d"]), required=True, help="Last day, YYYY-MM-DD.")
@click.option("--place", "places", multiple=True, help="County or state whose weekly statistics are wanted too.")
@_common
def drought(first: datetime, last: datetime, places: tuple[str, ...], folder: Path, offline: bool,
            refresh: bool) -> None:
    """Fetch the weekly drought maps of a span, as published."""
    _fetch("drought", folder, first=first.date(), last=last.date(), places=places, offline=offline, refresh=refresh)


@fetch.command()
@click.option("--cells", type=click.Choice(["divisions", "counties"]), default="divisions", show_default=True)
@_common
def climate(cells: str, folder: Path, offline: bool, refresh: bool) -> None:
    """Fetch the newest monthly rain and temperature."""
    _fetch("climate", folder, cells=cells, offline=offline, refresh=refresh)


@fetch.command()
@click.argument("lots", type=click.Path(path_type=Path), required=False)
@click.option("--bbox", "box", type=BOX, default=None, help="WEST SOUTH EAST NORTH in degrees, instead of LOTS.")
@click.option("--daily", is_flag=True, help="Fetch the nearest long daily records of weather stations too.")
@click.option("--list", "only_list", is_flag=True, help="Only say what would be fetched and about how much.")
@lambda command: _common(command, into_needed=False)
def area(lots: Path | None, box: tuple[float, float, float, float] | None, daily: bool, only_list: bool,
         folder: Path | None, offline: bool, refresh: bool) -> None:
    """Fetch all that a map needs around LOTS, a lot file or an area file.

    These are the soil survey, the outlines of the counties and climate divisions with their monthly weather, and the
    weekly drought maps of the last five years. Each file gets its origin, time, hash and licence beside it. The
    sections that name the files in an area file are printed at the end.

    Nothing about the lots leaves this computer but a box around all of them, which the soil service gets: it is at
    least 500 m wider on each side, rounded outwards to hundredths of a degree, and at least 4 km wide, so it is never
    that of a single lot. All other files are national; with --daily the names of stations near the box are asked for.

    A part that cannot be fetched is listed, and the others go on. What came is stored: run the command again to go on.

    Exit 0 when every part came, 1 when a part is missing or needs a look, 2 when nothing could be fetched.
    """
    from riskmap import api

    if (box is None) == (lots is None):
        raise click.UsageError("give either LOTS or --bbox WEST SOUTH EAST NORTH")
    if folder is None and not only_list:
        raise click.UsageError("Missing option '--into', the folder that receives the files.")
    planned = api.fetch("area", folder or "", lots=lots, box=box, daily=daily, only_list=True)
    for line in planned.plan:
        say(line, err=not only_list)
    if only_list or folder is None:
        return
    download = api.fetch("area", folder, box=planned.box, daily=daily, offline=offline, refresh=refresh,
                         progress=show_stage, warn=say)
    for line in [*download.said, *download.findings]:
        say(line)
    show_files(download.files)
    if download.sections:
        say("For the area file:\n")
        click.echo(download.sections, err=True)  # whole lines, to be copied
    sys.exit(Exit.SOME_STATES if download.findings else Exit.ALL_ANSWERED)
