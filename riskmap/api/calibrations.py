"""What a calibration says of itself, without applying it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from riskmap.api.shared import FileName


@dataclass(frozen=True)
class CalibrationSaid:
    """What a calibration says.

    Attributes
    ----------
    on : bool
        Whether it changes estimates; only the surveys decide that.
    lines : tuple of str
        The first sentences of its card: what was found, or why it is off.
    area_name, month : str
        The area and the month of the run that was compared, YYYY-MM.
    houses : int
        Surveyed houses.
    """

    on: bool
    lines: tuple[str, ...]
    area_name: str
    month: str
    houses: int


def calibration_said(file: FileName) -> CalibrationSaid:
    """Return what a calibration says of itself.

    Parameters
    ----------
    file : str or Path
        calibration.json of `calibrate`.

    Returns
    -------
    CalibrationSaid

    Raises
    ------
    LayerError
        The file is not a calibration of this version. Nothing of it is used.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> lots = riskmap.read("latest", outputs).lots
    >>> ids = lots.loc[(lots["state"] == "") & (lots["pour_to"] < "2015"), "lot_id"].head(2)
    >>> file = pathlib.Path(outputs) / "two_surveys.csv"
    >>> file.write_text("\\n".join(["lot_id,first_date,dome_mm", *(f"{one},2024-06,12.5" for one in ids)])) > 0
    True
    >>> made = riskmap.calibrate("latest", file, outputs=outputs)
    >>> said = riskmap.api.calibration_said(made.folder / "calibration.json")
    >>> said.on, said.houses, said.lines[0].split(". ")[0]
    (False, 2, 'No estimate is changed: the calibration is off')
    """
    from riskmap.answers.calibration import card, model_file

    model = model_file.read(Path(file))
    return CalibrationSaid(model.physical.on, tuple(card.answer(model)), model.run.area, model.run.today,
                           model.counts.houses)
