"""What is guessed, what is missing and what is left: the three lists that an area file is written from."""

from __future__ import annotations

from dataclasses import dataclass

ADD_FETCH = "Add --fetch. "  # the beginning of a remedy for a layer that can be fetched

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
    """One column of the lot file: its name and its first different values, at most five."""

    name: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class Left:
    """One file that is not used, and why; `ours` when riskmap wrote it, so that it does not belong to the delivery."""

    name: str
    reason: str
    ours: bool = False

    def __str__(self) -> str:
        return f"{self.name}: {self.reason}"
