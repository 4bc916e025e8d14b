"""Invented survey rows on the lots of a run: one single survey and one change a house."""

from __future__ import annotations

import pickle
from pathlib import Path

import pandas as pd
from shared_runs import one_at_a_time

from riskmap.answers.calibration import invented_surveys, trials
from riskmap.common.results import Results
from riskmap.run import folder, record

write_csv = invented_surveys.write


def run_of(outputs: Path) -> Results:
    return record.read(folder.find("latest", outputs))


def rows_of(results: Results) -> pd.DataFrame:
    return invented_surveys.rows(results)


def town_of(outputs: Path, truths: int) -> trials.Town:
    """Return the houses of the session's run for calibrations; the first process that asks computes them."""
    kept = outputs.parent / f"town_{truths}"
    with one_at_a_time(kept) as first:
        if first:
            made = invented_surveys.town(run_of(outputs), truths)
            (kept / "town.pickle").write_bytes(pickle.dumps(made))
    found: trials.Town = pickle.loads((kept / "town.pickle").read_bytes())
    return found
