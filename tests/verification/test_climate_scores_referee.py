"""Scores of SPEI-6 and of the weekly categories against the suction series of an independent calculation.

The suction of the check drivers is clim(m) - 0.8 sd(m) z, kept within 2.9-4.3, rounded to four decimals; clim and sd
(population) are those of the check bucket over 1991-2020. So each check series tells z wherever it is not at a limit.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from riskmap.climate import category
from riskmap.climate.cells import LARGEST_Z
from riskmap.climate.indices import spei
from riskmap.common.month_numbers import month_number

JAN_1895, N_MONTH = month_number(1895, 1), 1536


@pytest.fixture(scope="session")
def drivers(referee: Path) -> dict:
    return json.loads((referee / "cases_shared.json").read_text())["drivers"]


def suction(drivers: dict, z: np.ndarray) -> np.ndarray:
    """Return the index driver's suction from z on the axis of the check values."""
    bucket = np.array(drivers["4103"]["u_s_pf"]).reshape(-1, 12)
    normal = bucket[1991 - 1895:2020 - 1895 + 1]
    return np.clip(normal.mean(axis=0) - 0.8 * normal.std(axis=0) * z.reshape(-1, 12), 2.9, 4.3).ravel()


def test_spei_6_of_the_whole_record(open_data: Path, drivers: dict) -> None:
    """All 1,536 months of division 4103; 2e-4 pF for rounding of both check series to four decimals."""
    table = pd.read_csv(open_data / "drought" / "climate_divisions" / "nclimdiv_monthly_1895_2022.csv.gz",
                        dtype={"division": str})
    table = table[table["division"] == "4103"]
    z = spei.compute(25.4 * table["precip_in"].to_numpy()[None], 25.4 * table["pet_in"].to_numpy()[None],
                     first_calendar_month=1, accumulation_months=6)[0]
    assert np.isnan(z[:5]).all()
    ours = suction(drivers, np.clip(np.nan_to_num(z), -LARGEST_Z, LARGEST_Z))
    np.testing.assert_allclose(ours, drivers["4103 spei6"]["u_s_pf"], atol=2e-4, rtol=0)


def test_monthly_score_of_the_weekly_categories(open_data: Path, drivers: dict) -> None:
    """County 48113, every weekly map of 2000-2022, from its official shares."""
    table = pd.read_csv(open_data / "drought" / "usdm_county_stats" / "county_weekly_2000_2025_selected.csv.gz",
                        dtype={"FIPS": str})
    table = table[table["FIPS"] == "48113"]
    score = category.normal_score(table[list(category.NAMES)].to_numpy()[:, None, :] / 100)
    month = np.array([month_number(int(d[:4]), int(d[5:7])) for d in table["MapDate"]])
    z = category.monthly_score(score, month, JAN_1895, N_MONTH)[0]
    mapped = np.isfinite(z)
    assert mapped.sum() == 12 * 23
    ours = suction(drivers, np.nan_to_num(z))
    np.testing.assert_allclose(ours[mapped], np.array(drivers["4103 categories 48113"]["u_s_pf"])[mapped], atol=2e-4,
                               rtol=0)
