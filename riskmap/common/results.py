"""What one run passes to the writers: the estimate table, and what is needed to interpret it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from itertools import zip_longest
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
    """Median slab deflection of past months, as the week slider of the map and the brief show it.

    Attributes
    ----------
    months : tuple of str
        YYYY-MM, ascending; the last is `Results.today`.
    deflection_mm : array, shape (n_series, n_month)
        Median over the model runs of centre minus edge, nan before the pour. The last month equals `bend_now_mm`.
    series : int array, shape (n_lot,)
        Row of `deflection_mm` for each lot; -1 without an estimate.
    """

    months: tuple[str, ...]
    deflection_mm: NDArray[np.float32]
    series: NDArray[np.int64]

    def __repr__(self) -> str:
        """Return one line; the arrays are not shown."""
        return f"<Past {len(self.months):,} months of {len(self.series):,} lots>"


@dataclass(frozen=True)
class RowCounts:
    """How many rows an estimate has, by the kind of answer.

    Attributes
    ----------
    out, with_number, without_shape : int
    by_state, by_data_quality : dict of str to int
        In alphabetical order; `by_state` leaves out the rows that have an estimate.
    by_band : tuple of int
        Rows with an estimate in each band of the expected movement, whose limits are `tables.DEFLECTION_BANDS_MM`.
    """

    out: int = 0
    with_number: int = 0
    by_state: dict[str, int] = field(default_factory=dict)
    by_data_quality: dict[str, int] = field(default_factory=dict)
    without_shape: int = 0
    by_band: tuple[int, ...] = ()

    @classmethod
    def of(cls, lots: gpd.GeoDataFrame) -> RowCounts:
        """Count the rows of an estimate table.

        Raises
        ------
        TableError
            When a row has neither an estimate nor a state, because it would be counted as answered.
        """
        import numpy as np

        from riskmap.common.tables import DEFLECTION_BANDS_MM

        lost = (lots["state"] == "") & ~np.isfinite(lots["expected_movement_mm"].astype(float))
        if lost.any():
            raise TableError(f"{counted(int(lost.sum()), 'row')} with neither an estimate nor a state, the "
                             f"first at position {int(lost.to_numpy().argmax())}.")
        states, quality = ({str(name): int(count) for name, count in sorted(lots[column].value_counts().items())
                            if count} for column in ("state", "data_quality"))
        with_number = states.pop("", 0)
        value = lots.loc[lots["state"] == "", "expected_movement_mm"].to_numpy(float)
        value = value.round(1)  # as in the files and on the map
        bands = np.bincount(np.searchsorted(DEFLECTION_BANDS_MM, value, side="right"),
                            minlength=len(DEFLECTION_BANDS_MM) + 1)
        return cls(len(lots), with_number, states, quality, int(lots.geometry.isna().sum()), tuple(bands.tolist()))

    @classmethod
    def from_dict(cls, counts: dict[str, Any]) -> RowCounts:
        """Return the counts that `dataclasses.asdict` gave and a JSON file kept."""
        return cls(**{**counts, "by_band": tuple(counts["by_band"])})

    def __add__(self, other: RowCounts) -> RowCounts:
        """Return the counts of both."""
        together = [dict(sorted((Counter(a) + Counter(b)).items())) for a, b in (
            (self.by_state, other.by_state), (self.by_data_quality, other.by_data_quality))]
        return RowCounts(self.out + other.out, self.with_number + other.with_number, together[0], together[1],
                         self.without_shape + other.without_shape,
                         tuple(a + b for a, b in zip_longest(self.by_band, other.by_band, fillvalue=0)))


def row_steps(source_row: NDArray[np.int64]) -> list[list[int]]:
    """Return the numbering of rows in few numbers: [position, row as an editor counts] wherever rows are skipped.

    Between two such pairs both numbers grow by one. `source_row` is that of the raw lots, ascending, with one entry per
    lot.
    """
    steps: list[list[int]] = []
    if len(source_row):
        gaps = (source_row[1:] - source_row[:-1] != 1).nonzero()[0] + 1
        steps = [[int(k), int(source_row[k])] for k in (0, *gaps)]
    return steps


def editor_row(steps: list[list[int]], position: int) -> int | None:
    """Return the row of the lot at a position as an editor numbers it in the lot file; None when it is not known."""
    before = [step for step in steps if step[0] <= position]
    return before[-1][1] + position - before[-1][0] if before else None


@dataclass(frozen=True, kw_only=True)
class AreaResults:
    """A finished estimate without its table of lots.

    Attributes
    ----------
    area_name, today : str
        Name of the area; the present month as YYYY-MM.
    soil_scale : int or None
        Denominator of the mapping scale.
    climate : DataFrame
        One row per cell and month: cell_id, month (YYYY-MM), precipitation_mm, pet_mm, spi_3, spei_6, spei_12,
        driver_source (1 rain and temperature, 2 index, 3 weekly category, 4 climatology in a gap).
    drought_weeks : DataFrame
        One row per cell and weekly map: cell_id, valid_date, category (text none, D0..D4) by largest share.
    credits : tuple of str
        Credit lines that must appear wherever the data are shown.
    problems : list of Problem
        Every finding, in the order of reading.
    facts : dict
        Seed, draws, named what-if years and other plain values for the manifest; `lot_rows` as returned by `row_steps`.
    history : History, optional
        None when no past months were asked for.
    soil_lines : GeoDataFrame, optional
        map_unit_name_left, map_unit_name_right; lines between map units near the lots, EPSG:4326.
    drought_shapes : GeoDataFrame, optional
        valid_date, category (D0..D4); areas near the lots where that category is the highest, EPSG:4326.
    context : GeoDataFrame, optional
        layer, kind (point, line, area), label; shapes that maps draw under the lots, and on which no estimate depends,
        EPSG:4326.
    inputs : MovementInputs, optional
        The inputs of the movement stage.
    growth : DataFrame, optional
        archetype, year, middle_mm, edge_mm: the ground since the pour at each December, in the median model run
        (`movement.growth.curves`); None for runs made before it was recorded.
    settings : dict
        The area's settings that were used, as plain values; of paths only the names.
    note : str
        How the run was read, where its files were not compared with a manifest that can be trusted; otherwise empty.
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
    context: gpd.GeoDataFrame | None = None
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
        For every row of `lots`, how many lots of the run share its estimate, including itself; 0 without an estimate.
        None where this is not known.
    labels : Series of str, optional
        Labels by `lot_row`, such as addresses. Only a command that shows them sets them, never a run or a reader. None
        where the run has no labels or nobody asked for them.

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
    """A run that was written: its folder, its results without the table of lots, and the counts of that table."""

    folder: Path
    results: AreaResults
    rows: RowCounts
