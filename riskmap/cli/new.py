"""`riskmap new`: an area file from the files that somebody has."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.fetch import show_stage
from riskmap.cli.screen import COLUMNS, named
from riskmap.cli.terminal import say

FILES = click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
INTO = click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=Path("."), show_default=True,
                    help="Folder that receives area.toml when files are given.")


def fetching(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of fetching to a command that takes files."""
    for option in (
        click.option("--offline", is_flag=True, help="With --fetch: use stored answers only; nothing is asked."),
        click.option("--daily", is_flag=True, help="With --fetch: get the nearest daily weather record too, and use it "
                     "where your files have no weather."),
        click.option("--fetch", is_flag=True, help="Get the layers that the files lack from the public services. Only "
                     "a box around all lots leaves this computer, at least 4 km wide; with --daily also the names of "
                     "the stations near it."),
    ):
        command = option(command)
    return command


def write_area(files: tuple[Path, ...], into: Path, replace: bool, fetch: bool, daily: bool, offline: bool,
               columns: dict[str, str] | None = None, lots: str = "", crs: str = "",
               cells: tuple[str, ...] = ()) -> Any:
    """Write the area file; before anything is fetched, say what and about how much."""
    from riskmap import api

    if not fetch and (daily or offline):
        raise click.UsageError("--daily and --offline belong to --fetch")
    if not fetch:
        return api.new(files, into, replace=replace, columns=columns, lots=lots, crs=crs, cells=cells)
    return api.new(files, into, replace=replace, fetch=True, daily=daily, offline=offline, columns=columns,
                   lots=lots, crs=crs, cells=cells, progress=show_stage, warn=say)


@click.command(short_help="Write an area file from the files that you have.")
@FILES
@INTO
@click.option("--replace", is_flag=True, help="Overwrite an area.toml that is there already.")
@COLUMNS
@click.option("--lots", default="", metavar="NAME",
              help="The file or layer that is the lots, by its name as this command lists it, where it is not "
              "recognised or several files could be it.")
@click.option("--crs", default="", metavar="CODE",
              help="The coordinate system of the lots, such as EPSG:26914, where their file names none.")
@click.option("--cell", "cells", multiple=True, metavar="NAME",
              help="The cell of the weather in which the lots lie, where the record has several and you have no "
              "outlines of them. Give it twice when the months beside a daily record need another one.")
@fetching
def new(files: tuple[Path, ...], into: Path, replace: bool, columns: tuple[str, ...], lots: str,
        crs: str, cells: tuple[str, ...], fetch: bool, daily: bool, offline: bool) -> None:
    """Write an area file (area.toml) from the FILES or folders that you have.

    Each file is recognised by its content: lots, soil survey, rain and temperature, weekly drought maps, index grids.
    Zips and folders are opened. Each line that is guessed has its reason behind it, and what is missing is listed with
    the way to get it. The end is what `riskmap check` says, and the next command.

    With --fetch, one file of lots is enough: the soil survey, the monthly weather of the counties and five years of
    weekly drought maps are fetched into the folder `fetched` beside area.toml, each with its origin and licence. Your
    own files are used first. What cannot be fetched is an open point with the reason.

    To leave out a column that is guessed, name nothing: --column land_use=

    Nothing about the lots leaves this computer but a box around all of them, which the soil service gets: it is at
    least 500 m wider on each side, rounded outwards to hundredths of a degree, and at least 4 km wide.

    Exit 1 when the file was written and has open points, 2 when nothing was recognised.
    """
    made = write_area(files, into, replace, fetch, daily, offline, named(columns, empty=True), lots, crs,
                      cells)
    say(made.text(), err=False)
    sys.exit(Exit.ALL_ANSWERED if made.complete else Exit.SOME_STATES)
