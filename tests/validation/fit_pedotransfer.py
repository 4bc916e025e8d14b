"""Fit the coefficients in riskmap/soil/pedotransfer.py; run by hand when the samples change.

    python tests/validation/fit_pedotransfer.py

Reads soil/kssl_kansas_bulk_density.csv below RISKMAP_OPEN_DATA (default: shared/data beside the project) and prints the
constants. test_pedotransfer_kansas.py repeats the fit with whole counties held out.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.linear_model import LinearRegression, PoissonRegressor

Array = NDArray[np.float64]
Estimator = Callable[[pd.DataFrame], Array]
Method = Callable[[pd.DataFrame], Estimator]

DEFAULT_FOLDER = Path(__file__).resolve().parents[3] / "shared" / "data"
FILE = Path("soil") / "kssl_kansas_bulk_density.csv"
NAMES = {"County": "county", "clay_pct": "clay", "cec7_cmol_kg": "cec", "le_fine_earth_pct": "lep"}
RANGED = {"clay": 1, "cec": 1, "cec_per_clay": 2}  # input -> decimals of its limits


def samples(folder: Path) -> pd.DataFrame:
    """Return county, clay [%], cec [cmol(+)/kg], cec_per_clay and lep [%] of every sample; cec may be nan."""
    frame = pd.read_csv(folder / FILE).rename(columns=NAMES)[list(NAMES.values())].dropna(subset=["clay", "lep"])
    return frame.assign(cec_per_clay=frame["cec"] / frame["clay"])


def limits(frame: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Return the 1st and 99th percentile of each input over the samples with both, rounded inwards."""
    both = frame.dropna(subset=["clay", "cec"])
    found = {}
    for name, decimals in RANGED.items():
        low, high = both[name].quantile([0.01, 0.99]) * 10.0**decimals
        found[name] = (float(np.ceil(low)) / 10.0**decimals, float(np.floor(high)) / 10.0**decimals)
    return found


def inside(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the samples whose inputs all lie within the limits."""
    keep = [frame[name].between(low, high) for name, (low, high) in limits(frame).items()]
    return frame[np.logical_and.reduce(keep)].reset_index(drop=True)


def power(frame: pd.DataFrame) -> tuple[float, float, float]:
    """Fit lep = factor clay^a cec^b by Poisson regression (variance grows with the mean); return factor, a, b."""
    model = PoissonRegressor(alpha=0.0, tol=1e-10, max_iter=1000)
    model.fit(np.log(frame[["clay", "cec"]].to_numpy()), frame["lep"].to_numpy())
    return float(np.exp(model.intercept_)), *(float(value) for value in model.coef_)


def by_power(frame: pd.DataFrame) -> Estimator:
    """Return the power form fitted to the samples."""
    factor, clay_power, cec_power = power(frame)
    return lambda held: factor * held["clay"].to_numpy() ** clay_power * held["cec"].to_numpy() ** cec_power


def linear(*inputs: str) -> Method:
    """Return a method: a straight line on columns, or on products of columns such as "clay*cec", cut at 0."""
    def columns(frame: pd.DataFrame) -> Array:
        return np.column_stack([frame.eval(name).to_numpy(float) for name in inputs])

    def fitted(frame: pd.DataFrame) -> Estimator:
        model = LinearRegression().fit(columns(frame), frame["lep"].to_numpy())
        return lambda held: np.maximum(model.predict(columns(held)), 0.0)

    return fitted


def error_scale(frame: pd.DataFrame, estimate: Array) -> float:
    """Return s where the root mean square error of an estimate is s sqrt(estimate)."""
    return float(np.sqrt(np.mean((estimate - frame["lep"]) ** 2 / estimate)))


def held_out(frame: pd.DataFrame, method: Method, folds: object, groups: pd.Series | None = None) -> Array:
    """Return an estimate for every sample by a fit that has not seen it (nor, with groups, its group)."""
    out = np.full(len(frame), np.nan)
    for seen, unseen in folds.split(frame, groups=groups):  # type: ignore[attr-defined]
        out[unseen] = method(frame.iloc[seen])(frame.iloc[unseen])
    return out


def main() -> None:
    """Print the constants and what they are based on."""
    from sklearn.model_selection import LeaveOneGroupOut

    every = samples(Path(os.environ.get("RISKMAP_OPEN_DATA", DEFAULT_FOLDER)))
    used = inside(every)
    factor, clay_power, cec_power = power(used)
    estimate = held_out(used, by_power, LeaveOneGroupOut(), used["county"])
    print(f"{len(every)} samples, {every['cec'].notna().sum()} with cec, {len(used)} inside, "
          f"{used['county'].nunique()} counties")
    print(f"FACTOR = {factor:.5f}\nCLAY_POWER = {clay_power:.4f}\nCEC_POWER = {cec_power:.4f}")
    print(f"ERROR_SCALE = {error_scale(used, estimate):.3f}")
    print("limits", limits(every))


if __name__ == "__main__":
    main()
