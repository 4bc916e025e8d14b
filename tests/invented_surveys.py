"""Invented survey rows on the lots of a run: one single survey and one change a house."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from riskmap.calibration import invented, synthetic
from riskmap.outputs import record, run_folder
from riskmap.results import Results

write_csv = invented.write


def run_of(outputs: Path) -> Results:
    return record.read(run_folder.find("latest", outputs))


def rows_of(results: Results) -> pd.DataFrame:
    return invented.rows(results)


def town_of(outputs: Path, truths: int) -> synthetic.Town:
    return invented.town(run_of(outputs), truths)
