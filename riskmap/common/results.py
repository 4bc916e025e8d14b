"""What one run hands to the writers: the estimate table and what is needed to read it rightly."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common.errors import TableError, counted, visible

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from riskmap.common.problems import Problem
    from riskmap.common.weather import MovementInputs


@dataclass(frozen=True)
class History:
    """Middle slab deflection of past months: what the week slider of the map and the brief show.

    Attributes
    ----------
    months : tuple of str
        YYYY-MM, ascending; the last is `Results.today`.
    deflection_mm : array, shape (n_series, n_month)
        Median over the draws, centre minus edge, nan before the pour. The last month equals `bend_now_mm`.
    series : int array, shape (n_lot,)
        Row of `deflection_mm` of each lot; -1 without a number.
    """

    months: tuple[str, ...]
    deflection_mm: NDArray[np.float32]
    series: NDArray[np.int64]

    def __repr__(self) -> str:
        """Return one line; the arrays are not shown."""
        return f"<Past {len(self.months):,} months of {len(self.series):,} lots>"


@dataclass(frozen=True)
class RowCounts:
    """How many rows an estimate has, by what was answered.

    Attributes
    ----------
    out, with_number, without_shape : int
    by_state, by_data_quality : dict of str to int
        In alphabetical order; `by_state` without the rows that have a number.
    """

    out: int = 0
    with_number: int = 0
    by_state: dict[str, int] = field(default_factory=dict)
    by_data_quality: dict[str, int] = field(default_factory=dict)
    without_shape: int = 0

    @classmethod
    def of(cls, lots: gpd.GeoDataFrame) -> RowCounts:
        """Count the rows of an estimate table.

        Raises
        ------
        TableError
            When a row has neither a number nor a state: it would be counted as answered.
        """
        import numpy as np

        lost = (lots["state"] == "") & ~np.isfinite(lots["expected_movement_mm"].astype(float))
        if lost.any():
            raise TableError(f"{counted(int(lost.sum()), 'row')} with neither an estimate nor a state, the "
                             f"first at position {int(lost.to_numpy().argmax())}.")
        states, quality = ({str(name): int(count) for name, count in sorted(lots[column].value_counts().items())
                            if count} for column in ("state", "data_quality"))
        with_number = states.pop("", 0)
        return cls(len(lots), with_number, states, quality, int(lots.geometry.isna().sum()))

    def __add__(self, other: RowCounts) -> RowCounts:
        """Return the counts of both."""
        together = [dict(sorted((Counter(a) + Counter(b)).items())) for a, b in (
            (self.by_state, other.by_state), (self.by_data_quality, other.by_data_quality))]
        return RowCounts(self.out + other.out, self.with_number + other.with_number, together[0], together[1],
                         self.without_shape + other.without_shape)


def row_steps(source_row: NDArray[np.int64]) -> list[list[int]]:
    """Return the numbering of rows in few numbers: [position, row as an editor counts] wherever rows are passed over.

    Between two of them both numbers grow by one. `source_row` is that of the raw lots, ascending, one entry a lot.
    """
    steps: list[list[int]] = []
    if len(source_row):
        gaps = (source_row[1:] - source_row[:-1] != 1).nonzero()[0] + 1
        steps = [[int(k), int(source_row[k])] for k in (0, *gaps)]
    return steps


def editor_row(steps: list[list[int]], position: int) -> int | None:
    """Return the row of a lot file, as an editor numbers it, of the lot at a position; None when it is not known."""
    before = [step for step in steps if step[0] <= position]
    return before[-1][1] + position - before[-1][0] if before else None


@dataclass(frozen=True, kw_only=True)
class AreaResults:
    """All of a finished estimate but its table of lots.

    Attributes
    ----------
    area_name, today : str
        Name of the area; month of `now` as YYYY-MM.
    soil_scale : int or None
        Denominator of the mapping scale.
    climate : DataFrame
        One row per cell and month: cell_id, month (YYYY-MM), precipitation_mm, pet_mm, spi_3, spei_6, spei_12,
        driver_source (1 rain and temperature, 2 index, 3 weekly category, 4 climatology in a gap).
    drought_weeks : DataFrame
        One row per cell and weekly map: cell_id, valid_date, category (text none, D0..D4) by largest share.
    credits : tuple of str
        Credit lines that must stand wherever the data are shown.
    problems : list of Problem
        Every finding, in the order of reading.
    facts : dict
        Seed, draws, named whatif years and other plain values for the manifest; `lot_rows` as of `row_steps`.
    history : History, optional
        None when no past months were asked for.
    soil_lines : GeoDataFrame, optional
        map_unit_name_left, map_unit_name_right; lines between map units near the lots, EPSG:4326.
    drought_shapes : GeoDataFrame, optional
        valid_date, category (D0..D4); where that category is the highest, near the lots, EPSG:4326.
    inputs : MovementInputs, optional
        What the movement stage computed from.
    growth : DataFrame, optional
        archetype, year, middle_mm, edge_mm: the ground since the pour at each December, middle run
        (`movement.growth.curves`); None for runs that were made before it was kept.
    settings : dict
        The area's settings as used, plain values; paths only as names.
    note : str
        How the run was read, where its files were not compared with a manifest that can be trusted; else empty.
    """

    area_name: str
    today: str
    soil_scale: int | None
    climate: pd.DataFrame
    drought_weeks: pd.DataFrame
    credits: tuple[str, ...] = ()
    problems: list[Problem] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    history: History | None = None
    soil_lines: gpd.GeoDataFrame | None = None
    drought_shapes: gpd.GeoDataFrame | None = None
    inputs: MovementInputs | None = None
    growth: pd.DataFrame | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    note: str = ""

    def __repr__(self) -> str:
        """Return one line; tables are not shown."""
        return f"<Results of {visible(self.area_name)}, {self.today}; the table of lots is in the folder of the run>"


@dataclass(frozen=True, kw_only=True)
class Results(AreaResults):
    """A finished estimate.

    Attributes
    ----------
    lots : GeoDataFrame
        `tables.ESTIMATE`, one row per input row in input order, geometry in EPSG:4326 (None where unusable).
    sharing : int array, optional
        For every row of `lots` how many lots of the run share its estimate, with itself; 0 without an estimate. None
        where it is not known.
    labels : Series of str, optional
        Labels by `lot_row`, such as addresses: set only by a command that shows them, never by a run or a reader. None
        where the run has none or nobody asked.

    Notes
    -----
    Write `lots["flags"]` for the column of flags: `lots.flags` is an attribute that every DataFrame has.
    """

    lots: gpd.GeoDataFrame
    sharing: NDArray[np.int64] | None = None
    labels: pd.Series | None = None

    def __repr__(self) -> str:
        """Return one line; tables are not shown."""
        return (f"<Results of {visible(self.area_name)}, {self.today}: {len(self.lots):,} lots, "
                f"{int((self.lots['state'] == '').sum()):,} with an estimate>")


@dataclass(frozen=True)
class Run:
    """A run that was written: its folder, all but the table of lots, and what was counted in that table."""

    folder: Path
    results: AreaResults
    rows: RowCounts
