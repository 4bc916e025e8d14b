"""Invented survey rows on the lots of a run: one single survey and one change a house."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from riskmap.answers.calibration import invented_surveys, trials
from riskmap.common.results import Results
from riskmap.run import folder, record

write_csv = invented_surveys.write


def run_of(outputs: Path) -> Results:
    return record.read(folder.find("latest", outputs))


def rows_of(results: Results) -> pd.DataFrame:
    return invented_surveys.rows(results)


def town_of(outputs: Path, truths: int) -> trials.Town:
    return invented_surveys.town(run_of(outputs), truths)
