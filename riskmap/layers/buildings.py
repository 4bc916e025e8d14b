"""Read outlines of buildings near the lots. `lots.footprints` computes the size of slabs from them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError
from riskmap.common.inputs import BuildingOutlines, Source
from riskmap.common.month_numbers import month_number
from riskmap.common.problems import Problem
from riskmap.layers import shape_file

if TYPE_CHECKING:
    from riskmap.common.settings import Area, BuildingsEntry

# A million lots have about as many houses, and also sheds (judgement); as well-known binary 0.6 GB.
MOST_OUTLINES = 3_000_000
SECTION = "[buildings]"


def read(entry: BuildingsEntry, area: Area, lots_box: shape_file.Box | None, lots: int = 0) \
        -> tuple[BuildingOutlines | None, list[Source], list[Problem]]:
    """Read the outlines of buildings near the lots.

    Parameters
    ----------
    entry, area
        The entry and its area file.
    lots_box : tuple or None
        West, south, east, north of the lots in degrees; without a lot nothing is read.
    lots : int
        Number of lots; not used here.

    Returns
    -------
    BuildingOutlines or None, list of Source, list of Problem

    Raises
    ------
    LayerError
        When the file cannot be used, has more than `MOST_OUTLINES` outlines near the lots, or has shapes but none of
        them is near the lots.
    """
    import pyarrow as pa
    import shapely

    name, path = shape_file.shown_name(entry), area.resolve(entry.path)
    problems: list[Problem] = []
    if lots_box is None:
        return None, [], problems
    pieces = []
    with shape_file.opened(path, SECTION, entry, lots_box, problems) as file:
        for shapes, _ in file.pieces:
            pieces.append(pa.array(shapely.to_wkb(shapes, output_dimension=2).tolist(), pa.binary()))
            if file.tally.near > MOST_OUTLINES:
                break
    if file.tally.near > MOST_OUTLINES:
        raise LayerError(f"E-BLD-001 {name}: more than {MOST_OUTLINES:,} outlines lie in the box of the lots. Estimate "
                         "the lots in several areas, or leave out the small buildings.")
    if file.tally.shapes and not file.tally.near:
        raise LayerError(f"E-BLD-002 {name}: none of its {file.tally.shapes:,} shapes lies near the lots. Check its "
                         f"coordinate system, here {file.crs.name}, and that it shows the same place.")
    if not file.tally.shapes:
        problems.append(Problem("W-BLD-003", name, rule="the file contains no outline of a building.", remedy="Check "
                                "that it was exported completely.", action="It changes nothing."))
    if file.tally.unreadable:
        problems.append(Problem("E-BLD-004", name, rule=f"{file.tally.unreadable:,} of {file.tally.shapes:,} outlines "
                                "cannot be read, or have coordinates that are not numbers.", remedy="Export them "
                                "again as plain polygons.", action="They were skipped."))
    source = Source("buildings", entry.path, entry.title, entry.provider, entry.licence, entry.credit,
                    entry.valid_date, file.tally.shapes)
    wkb = pa.chunked_array(pieces, pa.binary())
    return BuildingOutlines(wkb, file.crs, name, _last_month(entry.valid_date)), [source], problems


def _last_month(valid_date: str) -> int | None:
    """Return the month number of a `valid_date`; of a range the first, because until then all outlines are known."""
    match = re.match(r"(\d{4})(?:-(\d{2}))?", valid_date.strip())
    return None if match is None else month_number(int(match[1]), int(match[2] or 1))
