"""`riskmap fetch`: the only commands that use a network."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from riskmap.cli.exit_codes import Exit, check_stopped

if TYPE_CHECKING:
    from riskmap.download.cache import Desk

BOX = click.Tuple([float, float, float, float])


def _progress(stage: str, share: float) -> None:
    check_stopped()
    if share >= 1.0:
        click.echo(f"  {stage}", err=True)


def _desk(offline: bool, refresh: bool) -> Desk:
    from riskmap.download.cache import Desk

    return Desk(offline=offline, refresh=refresh, tell=lambda words: click.echo(words, err=True))


def _told(paths: list[Path]) -> None:
    for path in paths:
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
@click.option("--bbox", type=BOX, default=None, help="WEST SOUTH EAST NORTH in degrees.")
@click.option("--area", type=click.Path(path_type=Path), default=None,
              help="Take the box around the lots of an area file.")
@_common
def soil(bbox: tuple[float, float, float, float] | None, area: Path | None, folder: Path, offline: bool,
         refresh: bool) -> None:
    """Fetch the soil survey of a box, in the layout that [soil] reads."""
    from riskmap.download import soil as service

    if (bbox is None) == (area is None):
        raise click.UsageError("give either --bbox WEST SOUTH EAST NORTH or --area AREA.toml")
    if area is not None:
        from riskmap.common import settings
        from riskmap.layers import lots

        named = settings.load(area)
        frame = lots.read(named.lots, named)[0].to_crs("EPSG:4326")
        west, south, east, north = (float(value) for value in frame.total_bounds)
        bbox = service.around((west, south, east, north))
    if bbox is None:
        sys.exit(Exit.REFUSED)
    _told(service.run(bbox, folder, desk=_desk(offline, refresh), progress=_progress))


@fetch.command()
@click.option("--from", "first", type=click.DateTime(["%Y-%m-%d"]), required=True, help="First day, YYYY-MM-DD.")
@click.option("--to", "last", type=click.DateTime(["%Y-%m-%d"]), required=True, help="Last day, YYYY-MM-DD.")
@click.option("--place", "places", multiple=True, help="County or state whose weekly statistics are wanted too.")
@_common
def drought(first: datetime, last: datetime, places: tuple[str, ...], folder: Path, offline: bool,
            refresh: bool) -> None:
    """Fetch the weekly drought maps of a span, as published."""
    from riskmap.download import drought as service

    _told(service.run(first.date(), last.date(), folder, places=places, desk=_desk(offline, refresh),
                      progress=_progress))


@fetch.command()
@click.option("--cells", type=click.Choice(["divisions", "counties"]), default="divisions", show_default=True)
@_common
def climate(cells: str, folder: Path, offline: bool, refresh: bool) -> None:
    """Fetch the newest monthly rain and temperature."""
    from riskmap.download import climate as service

    _told(service.run(folder, cells="counties" if cells == "counties" else "divisions", desk=_desk(offline, refresh),
                      progress=_progress))
