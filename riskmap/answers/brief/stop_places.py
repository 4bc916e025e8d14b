"""Places for the numbers of a map of stops, so that neighbours can be read.

A stop whose circle is free keeps it where the lot is. Any other circle is moved to a free spot nearby, and a thin line
joins it to a dot on the lot. Free means: inside the frame, clear of its north arrow and scale bar, not on another
circle or on the dot of another lot, with a line that meets no other line, circle or dot. The circles are placed in the
order of the round. Spots are tried on rings around the lot, and the nearest one wins, where a way into the crowd of the
other stops counts as up to twice as far as a way out of it. Where no spot is free, a line may meet something, and where
that is not enough, a dot may be covered. Then circles of one size exchange their spots, two at a time, while this lets
fewer lines meet something. Nothing depends on chance, so that equal stops give equal maps.

Where a circle would still lie on another, all become smaller, down to the last of `SIZES`; what then has no room stays
on its lot and may lie on another. So do all circles where together they would cover more than `FULL` of the map.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Box = tuple[float, float, float, float]  # left, top, right, bottom
DOT, GAP = 0.2, 0.16  # radius of the dot of a moved stop; least gap between two circles; in sizes of the text
RING, RINGS, WAYS = 0.5, 40, 32  # step between rings, in sizes of the text; number of rings, and of spots on each
CROWD = 8.0  # how far the crowd reaches of which a stop keeps clear, in sizes of the text
AT_ONCE = 96  # spots that are looked at together
SIZES = (1.0, 0.85, 0.72, 0.61)  # of circles and numbers, as shares of the usual; smaller ones cannot be read
FULL = 0.3  # share of the map; beyond it hardly any circle finds a spot whose line is free (tried with the example)


@dataclass(frozen=True)
class Places:
    """Where the circles are.

    Attributes
    ----------
    at : array, shape (n_stop, 2)
        Middle of each circle, in the units of the drawing.
    moved : array of bool, shape (n_stop,)
        Whether it is off its lot.
    times : float
        Size of circles and numbers, as a share of the usual one.
    """

    at: Array
    moved: Mask
    times: float


def spread(lots: Sequence[tuple[float, float]], radius: Sequence[float], size: float, text: float,
           taken: Sequence[Box] = ()) -> Places:
    """Return places for the circles of stops, apart from each other where there is room.

    Parameters
    ----------
    lots : sequence of (x, y)
        Where each stop is, in the units of the drawing.
    radius : sequence of float
        Of each circle at its usual size.
    size, text : float
        Side of the square drawing, and size of its type.
    taken : sequence of Box
        What no circle may cover.
    """
    points, usual = np.array(lots, dtype=float).reshape(-1, 2), np.array(radius, dtype=float)
    share = float(np.pi * (usual**2).sum()) / size**2  # of the map that the circles cover
    for times in SIZES:
        if times**2 * share <= FULL:
            sheet = _Sheet(points, times * usual, size, times * text, taken)
            if sheet.place(to_the_end=times == SIZES[-1]):
                sheet.exchange()
                return Places(sheet.at, sheet.moved, times)
    return Places(points, np.zeros(len(points), dtype=bool), SIZES[-1])


class _Sheet:
    """The circles that have a place so far."""

    def __init__(self, lots: Array, radius: Array, size: float, text: float, taken: Sequence[Box]) -> None:
        self.lots, self.radius, self.size, self.taken = lots, radius, size, taken
        self.gap, self.dot, self.crowd = GAP * text, DOT * text, CROWD * text
        self.at, self.done = lots.copy(), np.zeros(len(lots), dtype=bool)
        turn = 2 * np.pi * np.arange(WAYS) / WAYS
        rings = RING * text * np.arange(1, RINGS + 1)
        self.around = np.stack([np.outer(rings, np.cos(turn)), np.outer(rings, np.sin(turn))], axis=-1).reshape(-1, 2)

    @property
    def moved(self) -> Mask:
        """Whether each circle is off its lot."""
        off: Mask = np.hypot(*(self.at - self.lots).T) > 0
        return off

    def place(self, to_the_end: bool) -> bool:
        """Give every circle its place and return True; without `to_the_end`, stop at the first that has no room."""
        for k in range(len(self.lots)):
            apart = np.hypot(*(self.lots - self.lots[k]).T) >= self.radius + self.radius[k] + self.gap
            apart[k] = True
            self.done[k] = bool(apart.all() and self._inside(self.lots[k : k + 1], self.radius[k])[0])
        for k in np.flatnonzero(~self.done).tolist():
            if not self._place(k) and not to_the_end:
                return False
            self.done[k] = True
        return True

    def exchange(self) -> None:
        """Let circles of one size exchange their spots while fewer lines meet something."""
        left = len(self.lots)
        while left > 0:
            at_fault = np.flatnonzero(self._met(np.arange(len(self.lots))).any(axis=1)).tolist()[:left]
            if not any([self._exchanged(k) for k in at_fault]):
                return
            left -= len(at_fault)

    def _exchanged(self, k: int) -> bool:
        """Exchange the spot of a circle with one that its line meets; return False where this does not help."""
        same = self.moved & np.isclose(self.radius, self.radius[k])
        for other in np.flatnonzero(same & self._met(np.array([k]))[0]).tolist():
            pair = np.array([k, other])
            before = self._met(pair).sum()
            self.at[pair] = self.at[pair[::-1]]
            if self._met(pair).sum() < before:
                return True
            self.at[pair] = self.at[pair[::-1]]
        return False

    def _met(self, some: NDArray[np.intp]) -> Mask:
        """Return which stops the line of each of these circles meets: their lines, circles or dots."""
        everyone = np.arange(len(self.lots))
        other = everyone[None] != some[:, None]
        starts, ends, moved = self.lots[some], self.at[some], self.moved
        circles = other & (self.radius > _to_segments(self.at, starts, ends).T)
        near = np.hypot(*(self.lots[None] - starts[:, None]).transpose(2, 0, 1)) <= 3 * self.dot
        dots = other & ~near & (1.5 * self.dot > _to_segments(self.lots, starts, ends).T)
        lines = other & moved & _meet(starts, ends, self.lots, self.at)
        met: Mask = moved[some][:, None] & (circles | dots | lines)
        return met

    def _inside(self, spots: Array, radius: float) -> Mask:
        free: Mask = np.all((spots >= radius) & (spots <= self.size - radius), axis=1)
        for left, top, right, bottom in self.taken:
            nearest = np.clip(spots, (left, top), (right, bottom))
            free &= np.hypot(*(spots - nearest).T) >= radius
        return free

    def _place(self, k: int) -> bool:
        """Give a circle its place, and return whether it touches no other."""
        lot, radius, others = self.lots[k], self.radius[k], self.done.copy()
        others[k] = False
        spots = np.vstack([lot, lot + self.around])
        spots = spots[np.argsort(self._cost(k, spots), kind="stable")]
        circles, sizes, starts = self.at[others], self.radius[others], self.lots[others]
        moved = np.hypot(*(circles - starts).T) > 0
        dots = self.lots[np.arange(len(self.lots)) != k]
        passed = dots[np.hypot(*(dots - lot).T) > 3 * self.dot]  # no line can keep clear of a nearer dot
        second = third = None  # the first spot whose line meets something, and the first that covers a dot too
        for some in np.split(spots, range(AT_ONCE, len(spots), AT_ONCE)):
            free = some[self._inside(some, radius)]
            free = free[(_distances(free, circles) >= sizes + radius + self.gap).all(axis=1)]
            third = free[0] if third is None and len(free) else third
            free = free[(_distances(free, dots) >= radius + self.dot).all(axis=1)]
            second = free[0] if second is None and len(free) else second
            if len(free):
                own = np.broadcast_to(lot, free.shape)
                meets = (_to_segments(free, starts[moved], circles[moved]) < radius + self.gap).any(axis=1)
                meets |= (_to_segments(circles, own, free) < sizes[:, None] + self.gap).any(axis=0)
                meets |= (_to_segments(passed, own, free) < 1.5 * self.dot).any(axis=0)
                meets |= _meet(own, free, starts[moved], circles[moved]).any(axis=1)
                if not meets.all():
                    self.at[k] = free[np.argmin(meets)]
                    return True
        spot = third if second is None else second
        self.at[k] = lot if spot is None else spot
        return spot is not None

    def _cost(self, k: int, spots: Array) -> Array:
        """Return the distance of each spot, as up to twice as far where it leads into the crowd."""
        away = self.lots[k] - self.lots
        out = away[np.hypot(*away.T) < self.crowd].sum(axis=0)
        step = spots - self.lots[k]
        length: Array = np.hypot(*step.T)
        if not np.hypot(*out):
            return length
        along = step @ (out / np.hypot(*out))
        return length + (length - along) / 2


def _distances(first: Array, second: Array) -> Array:
    return np.hypot(first[:, None, 0] - second[None, :, 0], first[:, None, 1] - second[None, :, 1])


def _to_segments(points: Array, starts: Array, ends: Array) -> Array:
    """Return the distance of each point from each segment, shape (n_point, n_segment)."""
    way = ends - starts
    length2 = np.maximum((way**2).sum(axis=1), 1e-12)
    share = np.clip(((points[:, None] - starts[None]) * way[None]).sum(axis=-1) / length2, 0.0, 1.0)
    off = points[:, None] - (starts[None] + share[..., None] * way[None])
    return np.hypot(off[..., 0], off[..., 1])


def _meet(from_: Array, to: Array, starts: Array, ends: Array) -> Mask:
    """Return whether each segment of the first kind crosses each of the second, shape (n_first, n_second)."""
    def side(a: Array, b: Array, c: Array) -> Array:
        turn: Array = (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1])
        return turn - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])

    a, b, c, d = from_[:, None], to[:, None], starts[None], ends[None]
    crossed: Mask = (side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)
    return crossed
