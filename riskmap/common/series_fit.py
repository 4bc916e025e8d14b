"""How well a modelled series follows a measured one: the statistics of the evidence page and of `riskmap measured`.

Everything works on arrays. The only thing that is fitted is the yearly wave, to its own series.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
DAYS_PER_YEAR = 365.25
LEAST_WAVE = 0.4  # share of the variance that the yearly wave must explain before its size and lag mean something


def anomaly(values: Array, calendar: NDArray[np.int64]) -> Array:
    """Return values less the mean of their calendar month, both of shape (n_month,)."""
    return np.asarray(values - np.array([values[calendar == m].mean() for m in calendar]))


def correlation(ours: Array, measured: Array) -> float:
    """Return Pearson's r; nan where one of the two does not vary."""
    if ours.size < 2 or np.ptp(ours) == 0 or np.ptp(measured) == 0:
        return float("nan")
    return float(np.corrcoef(ours, measured)[0, 1])


def fit(ours: Array, measured: Array, calendar: NDArray[np.int64]) -> list[float]:
    """Return r, r of anomalies, our mean, measured mean and root mean square error.

    Parameters
    ----------
    ours, measured : array, shape (n_month,)
        Values at month ends; months without a measured value (nan) do not count.
    calendar : int array, shape (n_month,)
        Calendar month, any twelve different numbers.
    """
    use = np.isfinite(measured)
    a, b, month = ours[use], measured[use], calendar[use]
    return [correlation(a, b), correlation(anomaly(a, month), anomaly(b, month)), float(a.mean()), float(b.mean()),
            float(np.sqrt(((a - b) ** 2).mean()))]


def yearly_wave(values: Array, angle: Array) -> tuple[complex, float]:
    """Return the complex yearly wave by least squares, and the share of the variance that it explains.

    Parameters
    ----------
    values : array, shape (n,)
    angle : array, shape (n,)
        Time in the year. [radian]

    Returns
    -------
    complex, float
        The modulus is the amplitude, half of the range from low to high; the lag of one wave behind another is
        the angle of their quotient, sign reversed.
    """
    matrix = np.column_stack([np.ones(angle.size), np.cos(angle), np.sin(angle)])
    fitted = np.linalg.lstsq(matrix, values, rcond=None)[0]
    rest, whole = ((values - matrix @ fitted) ** 2).sum(), ((values - values.mean()) ** 2).sum()
    return complex(fitted[1], -fitted[2]), float(1 - rest / whole) if whole > 0 else 0.0


def lag_months(wave: complex, behind: complex) -> float:
    """Return by how much the first wave is later than the second, within half a year either way. [month]"""
    return -float(np.angle(wave / behind)) / (2 * np.pi) * 12
