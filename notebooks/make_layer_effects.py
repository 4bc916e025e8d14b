"""Write into layers/README.md what each layer about slabs does to the ranges of the example town.

    python notebooks/make_layer_effects.py

Four runs of the example with equal settings: no size of any slab, sizes from the lot file, from outlines of buildings,
and from both. Of the lots with an estimate in all four: the range (90th minus 10th percentile) of the expected movement
over its median, the median of both over the lots, and the share of the variance of the expected movement that lies
between soil units (sum of squares of the units' means, weighted by their lots, over that of all lots).
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from riskmap.common import settings
from riskmap.run import flow

ROOT = Path(__file__).resolve().parents[1]
PAGE, EXAMPLE = ROOT / "layers" / "README.md", ROOT / "layers" / "example"
BEGIN, END = "<!-- what layers do: begin -->\n", "<!-- what layers do: end -->\n"
SIZES = ["slab_width_ft", "slab_length_ft"]
RUNS = {"no size of a slab": (False, False), "sizes of the lot file": (True, False),
        "outlines of buildings": (False, True), "both": (True, True)}


def estimates(sizes: bool, buildings: bool) -> pd.DataFrame:
    """Return the estimate of the example with or without the sizes of its lot file and its buildings."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "example"
        shutil.copytree(EXAMPLE, folder)
        if not sizes:
            lots = gpd.read_file(folder / "lots.gpkg", layer="lots").drop(columns=SIZES)
            (folder / "lots.gpkg").unlink()
            pyogrio.write_dataframe(lots, folder / "lots.gpkg", layer="lots")
        others = {} if buildings else {"buildings": None}
        results, _ = flow.assess(settings.load(folder / "area.toml", **others))
    return pd.DataFrame(results.lots.drop(columns="geometry"))


def between_units(table: pd.DataFrame) -> float:
    """Return the share of the variance of the expected movement that lies between soil units."""
    value = table["expected_movement_mm"].to_numpy(float)
    means = table.groupby("map_unit_key")["expected_movement_mm"].transform("mean").to_numpy(float)
    return float(((means - value.mean()) ** 2).sum() / ((value - value.mean()) ** 2).sum())


def table() -> str:
    """Return the table in Markdown."""
    runs = {name: estimates(*which) for name, which in RUNS.items()}
    in_all = np.logical_and.reduce([(run["state"] == "").to_numpy() for run in runs.values()])
    rows = [f"| known of slabs | lots with a size | median [mm] | 10th to 90th percentile [mm] | range over median, of "
            f"{in_all.sum():,} lots | variance between soil units |", "|---|---|---|---|---|---|"]
    for name, run in runs.items():
        lots = run[in_all]
        low, middle, high = (lots[f"expected_movement_mm{part}"].to_numpy(float) for part in ("_p10", "", "_p90"))
        rows.append(f"| {name} | {lots['slab_known'].mean():.0%} | {np.median(middle):.1f} | {np.median(low):.1f} to "
                    f"{np.median(high):.1f} | {np.median((high - low) / middle):.2f} | {between_units(lots):.1%} |")
    return "\n".join(rows)


def main() -> None:
    """Put the table between its two marks on the page."""
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    PAGE.write_text(f"{before}{BEGIN}{table()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
