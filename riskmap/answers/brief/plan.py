"""Small plans: a lot between its neighbours, and numbered stops. Nothing in them enters an estimate.

Shapes are cut to the window and drawn on a flat plane through its middle; north is up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from riskmap.answers.brief import stop_places
from riskmap.common import units
from riskmap.common.errors import counted, visible
from riskmap.outputs import drawing, palette
from riskmap.outputs.drawing import Drawing, Path, Point, Text
from riskmap.outputs.map.web_map import FEET_PER_SCALE

if TYPE_CHECKING:
    from riskmap.common.results import Results

# ellipsoid of WGS 84: semi-major axis and square of the eccentricity (published: NIMA TR8350.2, table 3.1; from memory)
AXIS_M, ECCENTRICITY2 = 6_378_137.0, 0.00669437999014
LEAST_M, LOTS_ACROSS, MOST_M = 70.0, 3.2, 400.0  # side of the window: at least, in lots, at most (judgement)
POINT_M = 90.0  # side of the window of a lot that is a point
MOST_NAMES, MOST_NEIGHBOURS = 4, 300
BAND_STEP = 0.75  # distance of the lines of the band, in sizes of the text
ROUND_M = {"us": tuple(units.foot_to_m(feet) for feet in (10, 20, 50, 100, 200, 500, 1000, 2000, 5280, 5280 * 2,
                                                          5280 * 5, 5280 * 10)),
           "si": (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)}

ALT = "Plan with north up: this lot{neighbours}{soil}{names}."
NO_SHAPE = "No plan: the lot file has no shape for this row."
SOIL = "Soil boundary: somewhere in the hatched band"
STOPS_ALT = "Map of {count} with north up; the numbers are those of the table."


@dataclass(frozen=True)
class Window:
    """A square of ground and the square of the drawing that shows it."""

    lon: float
    lat: float
    side_m: float
    size: float

    @property
    def per_degree(self) -> tuple[float, float]:
        """Metres per degree of longitude and of latitude in its middle."""
        phi = math.radians(self.lat)
        w2 = 1 - ECCENTRICITY2 * math.sin(phi) ** 2
        return (math.radians(1.0) * AXIS_M / math.sqrt(w2) * math.cos(phi),
                math.radians(1.0) * AXIS_M * (1 - ECCENTRICITY2) / w2**1.5)

    def bounds(self) -> tuple[float, float, float, float]:
        """Return west, south, east, north. Degrees."""
        x, y = (self.side_m / 2 / one for one in self.per_degree)
        return self.lon - x, self.lat - y, self.lon + x, self.lat + y

    def flat(self, shape: Any) -> Any:
        """Return a shape in units of the drawing, cut to its square."""
        kx, ky = self.per_degree
        scale = self.size / self.side_m
        placed = shapely.transform(shape, lambda p: np.column_stack([
            self.size / 2 + (p[:, 0] - self.lon) * kx * scale, self.size / 2 - (p[:, 1] - self.lat) * ky * scale]))
        return _cut(placed, self.size)


def _cut(shape: Any, size: float) -> Any:
    try:
        return shapely.intersection(shape, shapely.box(0.0, 0.0, size, size))
    except shapely.errors.GEOSException:
        return shapely.intersection(shapely.make_valid(shape), shapely.box(0.0, 0.0, size, size))


@dataclass
class _Sheet:
    window: Window
    text: float
    parts: list[Path | Text] = field(default_factory=list)

    def shape(self, role: str, shape: Any, *, fill: str = "", stroke: str = "", width: float = 0.0,
              placed: bool = False) -> Any:
        """Draw a shape given in degrees, or `placed` in the units of the drawing, and return it as placed."""
        flat = shape if placed else self.window.flat(shape)
        for part in shapely.get_parts(flat):
            for ring in _rings(part):
                points: tuple[Point, ...] = tuple((float(x), float(y)) for x, y in shapely.get_coordinates(ring))
                closed = part.geom_type == "Polygon"
                if len(points) > 1:
                    self.parts.append(Path(role, points, closed, fill if closed else "", stroke, width * self.text))
        return flat

    def say(self, role: str, x: float, y: float, text: str, *, anchor: drawing.Anchor = "middle", bold: bool = False,
            color: str = palette.INK, times: float = 1.0) -> None:
        self.parts.append(Text(role, x, y, text, times * self.text, color, anchor, bold))


def _rings(part: Any) -> list[Any]:
    if part.geom_type == "Polygon":
        return [part.exterior, *part.interiors]
    return [part] if part.geom_type in ("LineString", "LinearRing") else []


def of_lot(results: Results, row: int, system: str, size: float, text: float) -> Drawing | None:
    """Return the plan of a lot, or None where the row has no shape.

    Parameters
    ----------
    results : Results
    row : int
        Position of the lot.
    system : str
        `us` or `si`: of the scale bar.
    size, text : float
        Side of the drawing and size of its type.
    """
    shape = results.lots.geometry.iloc[row]
    if shape is None or shape.is_empty:
        return None
    west, south, east, north = shape.bounds
    window = Window((west + east) / 2, (south + north) / 2, 1.0, size)
    kx, ky = window.per_degree
    own = max((east - west) * kx, (north - south) * ky)
    side = POINT_M if own == 0 else min(max(LOTS_ACROSS * own, LEAST_M), max(MOST_M, 1.2 * own))
    sheet = _Sheet(Window(window.lon, window.lat, side, size), text)
    names = _context(results, sheet)
    neighbours = _neighbours(results, row, sheet)
    soil = _soil_lines(results, sheet)
    if shape.geom_type in ("Point", "MultiPoint"):
        sheet.parts.append(drawing.circle("lot", size / 2, size / 2, 0.6 * text, fill=palette.SHEET, stroke=palette.INK,
                                          line=0.25 * text))
    else:
        sheet.shape("lot", shape, stroke=palette.INK, width=0.32)
    for label, x, y in names:
        _named(sheet, label, x, y)
    _frame(sheet, system)
    alt = ALT.format(neighbours=f", {counted(neighbours, 'neighbour')}" if neighbours else "",
                     soil=f", a {SOIL[0].lower()}{SOIL[1:]}" if soil else "",
                     names=f"; {', '.join(name for name, *_ in names)}" if names else "")
    return Drawing(size, size, tuple(sheet.parts), alt)


def _neighbours(results: Results, row: int, sheet: _Sheet) -> int:
    """Draw the outlines of the other lots, and return how many there are."""
    near = results.lots.sindex.query(shapely.box(*sheet.window.bounds()))
    near = np.sort(near[near != row])[:MOST_NEIGHBOURS]
    shapes = results.lots.geometry.iloc[near].to_numpy()
    count = 0
    for shape in shapes[shapely.get_dimensions(shapes) == 2]:
        placed = sheet.shape("neighbour", shape, stroke=palette.HATCH_LINE, width=0.06)
        count += not placed.is_empty
    return count


def _context(results: Results, sheet: _Sheet) -> list[tuple[str, float, float]]:
    """Draw streets, water and other shapes of the user's own, and return names with their places."""
    if results.context is None or results.context.empty:
        return []
    near = np.sort(results.context.sindex.query(shapely.box(*sheet.window.bounds())))
    names: dict[str, tuple[float, float]] = {}
    for shape, label in zip(results.context.geometry.iloc[near], results.context["label"].iloc[near], strict=True):
        area = shapely.get_dimensions(shape) == 2
        placed = sheet.shape("context", shape, fill=palette.FIELD if area else "", stroke=palette.RULE,
                             width=0.05 if area else 0.7)
        if placed.is_empty or not str(label).strip() or str(label) == "None" or len(names) == MOST_NAMES:
            continue
        at = placed.interpolate(0.5, normalized=True) if shapely.get_dimensions(placed) == 1 else \
            shapely.point_on_surface(placed)
        names.setdefault(visible(str(label))[:28], (float(at.x), float(at.y)))
    return [(name, x, y) for name, (x, y) in names.items()]


def _named(sheet: _Sheet, label: str, x: float, y: float) -> None:
    """Write a name inside the window, away from its upper right and lower left corners."""
    half, size = 0.25 * len(label) * sheet.text * 0.9, sheet.window.size
    y = min(max(y + 0.3 * sheet.text, 1.2 * sheet.text), size - 2.6 * sheet.text)
    sheet.say("name", min(max(x, half + 0.3 * sheet.text), size - half - 0.3 * sheet.text), y, label,
              color=palette.QUIET, times=0.9)


def _soil_lines(results: Results, sheet: _Sheet) -> bool:
    """Draw the soil boundaries that are near, as bands as wide as they are uncertain, and return whether any is."""
    if results.soil_lines is None or results.soil_lines.empty:
        return False
    width_m = units.foot_to_m((results.soil_scale or 0) / FEET_PER_SCALE)
    window = sheet.window
    kx, ky = window.per_degree
    west, south, east, north = window.bounds()
    around = shapely.box(west - width_m / kx, south - width_m / ky, east + width_m / kx, north + width_m / ky)
    near = np.sort(results.soil_lines.sindex.query(around))
    lines = results.soil_lines.geometry.iloc[near].to_numpy()
    if not len(lines):
        return False
    scale = window.size / window.side_m
    placed = shapely.transform(shapely.union_all(shapely.intersection(lines, around)), lambda p: np.column_stack([
        window.size / 2 + (p[:, 0] - window.lon) * kx * scale, window.size / 2 - (p[:, 1] - window.lat) * ky * scale]))
    band = _cut(placed.buffer(max(width_m * scale, 0.05 * sheet.text)), window.size)
    if band.is_empty:
        return False
    step, size = BAND_STEP * sheet.text, window.size
    hatch = shapely.multilinestrings([[(start, size), (start + size, 0.0)]
                                      for start in np.arange(-size + step / 2, size, step)])
    sheet.shape("band", shapely.intersection(hatch, band), stroke=palette.HATCH_LINE, width=0.06, placed=True)
    return True


def _frame(sheet: _Sheet, system: str) -> None:
    """Draw the frame, the arrow to the north and the scale bar, each on a white ground."""
    size, text = sheet.window.size, sheet.text
    length_m = max((one for one in ROUND_M[system] if one <= 0.4 * sheet.window.side_m), default=ROUND_M[system][0])
    length = length_m * size / sheet.window.side_m
    label = scale_words(length_m, system)
    wide = max(length, 0.5 * len(label) * text) + 1.2 * text
    sheet.parts += [drawing.rectangle("ground", 0.0, size - 2.2 * text, wide, 2.2 * text, fill=palette.SHEET),
                    Path("scale", ((0.6 * text, size - 0.5 * text), (0.6 * text + length, size - 0.5 * text)),
                         stroke=palette.INK, width=0.25 * text)]
    sheet.say("scale", 0.6 * text, size - 1.0 * text, label, anchor="start")
    x = size - 1.3 * text
    sheet.parts += [drawing.rectangle("ground", size - 2.4 * text, 0.0, 2.4 * text, 3.5 * text, fill=palette.SHEET),
                    Path("north", ((x, 1.4 * text), (x - 0.45 * text, 2.6 * text), (x, 2.3 * text),
                                   (x + 0.45 * text, 2.6 * text)), True, palette.INK)]
    sheet.say("north", x, 1.2 * text, "N", bold=True)
    sheet.parts.append(drawing.rectangle("frame", 0.0, 0.0, size, size, stroke=palette.OUTLINE, line=0.1 * text))


def scale_words(length_m: float, system: str) -> str:
    """Return a round length in feet or miles, or in metres or kilometres."""
    if system == "us":
        feet = units.m_to_foot(length_m)
        return f"{feet:,.0f} ft" if feet < 5280 else counted(round(feet / 5280), "mile")
    return f"{length_m:g} m" if length_m < 1000 else f"{length_m / 1000:g} km"


def of_stops(points: Sequence[tuple[float, float]], labels: Sequence[str], context: Results | None, system: str,
             size: float, text: float) -> Drawing | None:
    """Return a map of stops, or None without any.

    No circle lies on another while there is room: a crowded one is moved aside, and a line leads from it to a dot on
    its lot (`stop_places`).

    Parameters
    ----------
    points : sequence of (longitude, latitude)
        Degrees. Stops at one place share a circle.
    labels : sequence of str
        Number of each stop.
    context : Results, optional
        Whose lots and streets are drawn beneath.
    system : str
    size, text : float
    """
    if not points:
        return None
    lon, lat = (np.array(values) for values in zip(*points, strict=True))
    middle = (float(lon.min() + lon.max()) / 2, float(lat.min() + lat.max()) / 2)
    kx, ky = Window(*middle, 1.0, size).per_degree
    side = max(float(np.ptp(lon)) * kx, float(np.ptp(lat)) * ky) * 1.25
    sheet = _Sheet(Window(*middle, max(side, 2 * LEAST_M), size), text)
    names = _context(context, sheet) if context is not None else []
    for name in names:
        _named(sheet, *name)
    _frame(sheet, system)
    scale = size / sheet.window.side_m
    at: dict[tuple[float, float], list[str]] = {}
    for x, y, label in zip(lon, lat, labels, strict=True):
        place = (round(size / 2 + (float(x) - middle[0]) * kx * scale, 2),
                 round(size / 2 - (float(y) - middle[1]) * ky * scale, 2))
        at.setdefault(place, []).append(label)
    _numbers(sheet, at)
    return Drawing(size, size, tuple(sheet.parts), STOPS_ALT.format(count=counted(len(points), "stop")))


def _numbers(sheet: _Sheet, at: dict[tuple[float, float], list[str]]) -> None:
    """Draw the numbers of the stops in circles: lines and dots first, then the circles, then the numbers."""
    size, text = sheet.window.size, sheet.text
    labels = [", ".join(shared[:3]) + ("…" if len(shared) > 3 else "") for shared in at.values()]
    radius = [(0.75 + 0.14 * max(len(label) - 1, 0)) * text for label in labels]
    grounds = [(min(x), min(y), max(x), max(y)) for x, y in (
        zip(*part.points, strict=True) for part in sheet.parts if isinstance(part, Path) and part.role == "ground")]
    found = stop_places.spread(list(at), radius, size, text, grounds)
    places = [(float(x), float(y)) for x, y in found.at]
    for lot, place, moved in zip(at, places, found.moved, strict=True):
        if moved:
            sheet.parts += [Path("leader", (lot, place), stroke=palette.INK, width=0.06 * text),
                            drawing.circle("dot", *lot, stop_places.DOT * found.times * text, fill=palette.INK)]
    for place, one in zip(places, radius, strict=True):
        sheet.parts.append(drawing.circle("stop", *place, one * found.times, fill=palette.SHEET, stroke=palette.INK,
                                          line=0.12 * text))
    for (x, y), label in zip(places, labels, strict=True):
        sheet.say("stop", x, y + 0.35 * found.times * text, label, bold=True, times=found.times)
