"""What is guessed, what is missing and what is left: the three lists that an area file is written from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskmap.common.errors import visible

if TYPE_CHECKING:
    import pandas as pd

ADD_FETCH = "Add --fetch. "  # the beginning of a remedy for a layer that can be fetched
SHOWN_LENGTH = 80  # characters of a value of a column that is shown
SAMPLES = 5  # values of a column that are shown


@dataclass(frozen=True)
class Guess:
    """One line of the area file.

    Attributes
    ----------
    section : str
        `area`, `lots`, `lots.columns`, `soil`, `climate`, `drought`, `index`, `buildings` or `context`.
    key : str
        Left of the equals sign.
    value : str
        Right of it, as TOML.
    reason : str
        Why; it is written after the line.
    sure : bool
        Whether a run may go on without anybody looking at it: layers/README.md says when.
    written : bool
        False for a line that is written as a comment, because the guess could harm a number.
    """

    section: str
    key: str
    value: str
    reason: str
    sure: bool = True
    written: bool = True


@dataclass(frozen=True)
class Missing:
    """One thing that the files do not give: what it is, how to get it, and whether a run needs it.

    `layer` is `soil`, `climate` or `drought` when the whole layer is missing, so that it can be fetched.
    """

    what: str
    remedy: str
    needed: bool = True
    layer: str = ""

    def __str__(self) -> str:
        return f"{self.what} {self.remedy}"


@dataclass(frozen=True)
class Column:
    """One column of a lot file or of a list: its name and its first different values, at most five."""

    name: str
    values: tuple[str, ...]

    @classmethod
    def of(cls, name: str, text: pd.Series) -> Column:
        """Return a column from its cells as text; empty cells do not count, and long values are cut."""
        different = text.loc[text.str.strip() != ""].drop_duplicates().iloc[:SAMPLES]
        return cls(name, tuple(visible(str(value))[:SHOWN_LENGTH] for value in different))


@dataclass(frozen=True)
class LotsFile:
    """One file or layer that may be the lots: its name, what is in it, and whether it is the one that is used."""

    name: str
    about: str
    used: bool


@dataclass(frozen=True)
class System:
    """One coordinate system that the lots may have: its code, its name and unit, and whether it is the one used."""

    code: str
    about: str
    used: bool


@dataclass(frozen=True)
class WeatherCell:
    """One cell of a weather record from which the user has to choose.

    Attributes
    ----------
    key : str
        The line of the area file that names the cell: `cell`, or `monthly_cell` for the months beside days.
    name : str
        As the record names it.
    about : str
        What identifies it: state and number, or its coordinates; empty when the record says nothing more.
    away_km : float or None
        From the middle of the lots, when the record says where the cell is. [km]
    """

    key: str
    name: str
    about: str = ""
    away_km: float | None = None


@dataclass(frozen=True)
class Left:
    """One file that is not used, and why; `ours` when riskmap wrote it, so that it does not belong to the delivery."""

    name: str
    reason: str
    ours: bool = False

    def __str__(self) -> str:
        return f"{self.name}: {self.reason}"
