"""`riskmap fetch`: the only commands that use a network."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from riskmap.cli.exit_codes import check_stopped

BOX = click.Tuple([float, float, float, float])


def _progress(stage: str, share: float) -> None:
    check_stopped()
    if share >= 1.0:
        click.echo(f"  {stage}", err=True)


def _fetch(what: str, folder: Path, **options: Any) -> None:
    from riskmap import api

    download = api.fetch(what, folder, progress=_progress, warn=lambda text: click.echo(text, err=True), **options)
    for path in download.files:
        click.echo(path.as_posix())


def _common(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--refresh", is_flag=True, help="Ask again for everything, whatever is stored."),
        click.option("--offline", is_flag=True, help="Use stored answers only; nothing is asked."),
        click.option("--into", "folder", type=click.Path(path_type=Path), required=True,
                     help="Folder that receives the files; name it in the area file."),
    ):
        command = option(command)
    return command


@click.group()
def fetch() -> None:
    """Get public soil, drought and climate files; everything else in riskmap works without a network."""


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
