"""The files of a calibration: model, card (text and page), comparisons, findings, and calibrated lots if it is on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.answers.calibration.calibrate import Calibration
    from riskmap.answers.calibration.model_file import Model
    from riskmap.common.results import Results


def write(calibration: Calibration, results: Results, folder: Path, *, workers: int | None = None) -> list[Path]:
    """Write the files into a folder and return them by name.

    Parameters
    ----------
    calibration : Calibration
    results : Results
        The run that was compared.
    folder : Path
        An existing folder.
    workers : int, optional
        Number of threads; the result does not depend on it.
    """
    from riskmap.answers.calibration import apply

    tables = {"comparisons": calibration.comparisons}
    if calibration.model.physical.on:
        tables["lots_calibrated"] = apply.to_run(results, calibration.model, workers=workers)
    return _write(calibration, None, tables, folder)


def write_applied(model: Model, results: Results, folder: Path, *, workers: int | None = None) -> Calibration:
    """Write an existing calibration, and the lots of another run calibrated with it; nothing is compared.

    Raises
    ------
    LayerError
        As in `apply.to_run`; then no file is written.
    """
    import pandas as pd

    from riskmap.answers.calibration import apply
    from riskmap.answers.calibration.calibrate import Calibration

    calibration = Calibration(model, pd.DataFrame(), apply.findings(results, model))
    lots = apply.to_run(results, model, workers=workers)
    _write(calibration, (results.area_name, results.today), {"lots_calibrated": lots}, folder)
    return calibration


def _write(calibration: Calibration, put_to: tuple[str, str] | None, tables: dict[str, pd.DataFrame],
           folder: Path) -> list[Path]:
    from riskmap.answers.calibration import card, card_page, model_file
    from riskmap.common.json_values import plain

    findings = plain([problem.as_dict() for problem in calibration.problems])
    problems = json.dumps(findings, ensure_ascii=False, indent=1) + "\n"
    contents = {"calibration.json": model_file.text_of(calibration.model).encode(),
                "calibration.md": card.text(calibration.model, put_to).encode(),
                card_page.NAME: card_page.page(calibration.model, calibration.comparisons, put_to).encode(),
                "problems.json": problems.encode(errors="backslashreplace"),
                **{f"{name}.csv": _csv(table) for name, table in tables.items()}}
    for name in sorted(contents):
        (folder / name).write_bytes(contents[name])
    return [folder / name for name in sorted(contents)]


def _csv(table: pd.DataFrame) -> bytes:
    """Return CSV with a byte-order mark and guarded texts, like every table of a run."""
    from riskmap.outputs.files import csv_table

    return csv_table.text_of(table, float_format="%.3f").encode("utf-8-sig", errors="backslashreplace")
