"""How long the middle of a slab rises, against a closed form and the behaviour that the defaults were chosen for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from riskmap.common.constants import YOUNG_SLAB_YEARS
from riskmap.common.settings import MovementSettings
from riskmap.evidence.measured import timetable
from riskmap.evidence.measured.movement import ALPHA, DEPTH, RESTRAINT, cells_of
from riskmap.movement import life, reduced_model, trace
from riskmap.outputs import palette


def left_of_a_sealed_column(years: float) -> float:
    """Share of the heave that a wide slab on even clay has still to make.

    Open ground at rest under a constant surface has a straight profile, v0 (1 - z / Zm). Sealed at the top and held at
    0 at Zm it decays by v = v0 sum 2 / M^2 cos(M z / Zm) exp(-M^2 alpha t / Zm^2) with M = pi (2 m + 1) / 2 (Carslaw
    and Jaeger, sealed column; worked out here); its mean over depth is sum 2 (-1)^m / M^3 exp(...), 1/2 at t = 0.
    """
    m = np.arange(200)
    big = np.pi * (2 * m + 1) / 2
    return float((4 * (-1.0) ** m / big**3 * np.exp(-(big**2) * ALPHA * years / DEPTH**2)).sum())


@pytest.mark.parametrize("share", timetable.SHARES)
def test_under_a_wide_slab_the_years_are_those_of_a_sealed_column(share: float) -> None:
    model = reduced_model.cached(9.0)
    _, delta, decay = timetable.differences(model, np.ones(3), 1.0, ALPHA / (12 * DEPTH**2))
    part = trace.strain_rows(model, cells_of(model, 9.0), RESTRAINT)[0][0] * delta[:1]
    # the strip holds what is far from its edge: there the closed form is the limit, two half widths of error in e^-9
    years = life.years_to(share, part, decay, np.abs(part.sum(axis=1)))[0]
    exact = np.interp(-(1 - share), [-left_of_a_sealed_column(y) for y in np.linspace(0, 20, 4001)],
                      np.linspace(0, 20, 4001))
    assert years == pytest.approx(exact, abs=0.15)  # whole months, and the reduced model's 1 %


@pytest.mark.parametrize("division", timetable.DIVISIONS)
def test_the_default_slab_takes_six_to_seven_years_in_every_climate(division: str, open_data: Path) -> None:
    """Calibrated, hence no evidence: diffusivity and depth were chosen for it. It must stay what the page says."""
    pours = timetable.of_division(open_data, division)
    half, most, grown = (pours.usual_years(share) for share in timetable.SHARES)
    assert 1.5 < half < 2 < 5 < most < 5.5 < 6 < grown < YOUNG_SLAB_YEARS
    assert pours.rise_mm.mean() == pytest.approx(-1000 * pours.usual_part.sum(), rel=0.2)  # 1951-2020, 1991-2020
    wet = pours.rise_mm < 0.2 * pours.rise_mm.mean()
    assert wet.sum() > 20
    years = pours.years(life.GROWN_SHARE)
    assert np.isfinite(years).all()
    assert years[wet].mean() < years[~wet].mean()


def test_the_classes_of_age_begin_after_the_phases_of_the_default_slab() -> None:
    end = next(months for months in range(1200)
               if life.settled(months, MovementSettings().settlement_yr) >= life.SETTLED_SHARE) / 12
    assert end == 1.5
    assert palette.AGE_LIMITS_YEARS[:2] == (np.ceil(end), float(YOUNG_SLAB_YEARS))
