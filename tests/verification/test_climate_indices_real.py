"""SPI, SPEI and Thornthwaite on real records against values that other software computed.

Sources: the series and results stored with the original SPEI package (Wichita, 1980-2011); SPI and SPEI of seven NOAA
climate divisions (expected_spi_spei.json, four decimals); an independent package for SPI and for its clip at 3.09.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from riskmap.climate import evapotranspiration
from riskmap.climate.indices import spei, spi
from riskmap.common.settings import ClimateEntry
from riskmap.layers import climate_monthly

WICHITA_LATITUDE = np.array([37.6475])


@pytest.fixture(scope="session")
def wichita(open_data: Path) -> pd.DataFrame:
    return pd.read_csv(open_data / "drought" / "spei_reference" / "wichita_1980_2011_R_SPEI_1.8.1.csv")


@pytest.fixture(scope="session")
def divisions(open_data: Path) -> pd.DataFrame:
    folder = open_data / "drought" / "climate_divisions"
    return pd.concat([pd.read_csv(folder / name, dtype={"division": str}) for name in (
        "nclimdiv_monthly_1895_2022.csv.gz", "nclimdiv_arkansas_iowa_1895_2022.csv.gz")])


@pytest.mark.parametrize("months", [1, 12])
def test_spei_equals_the_reference_package(wichita: pd.DataFrame, months: int) -> None:
    """From the reference's own evapotranspiration; the printed values have 12 digits."""
    ours = spei.compute(wichita["prcp_mm"].to_numpy()[None], wichita["ref_pet_thornthwaite_mm"].to_numpy()[None],
                        first_calendar_month=1, accumulation_months=months)[0]
    np.testing.assert_allclose(ours, wichita[f"ref_spei_{months}"], atol=1e-9, rtol=0, equal_nan=True)
    assert np.isfinite(ours).sum() == len(wichita) - months + 1


def test_thornthwaite_against_the_reference_package(wichita: pd.DataFrame) -> None:
    """Within 0.8 mm of values up to 229 mm (0.35 %), mean 0.2 mm.

    The difference is the sun alone: our declination (phase -1.39, true mid-month) peaks a day and a half before the
    reference's (phase -1.405, day 15 counted from a 365-day year). Our constants are those of the check values below.
    """
    ours = evapotranspiration.thornthwaite(wichita["tmean_c"].to_numpy()[None], WICHITA_LATITUDE,
                                           first_calendar_month=1)[0]
    difference = np.abs(ours - wichita["ref_pet_thornthwaite_mm"])
    assert difference.max() < 0.8
    assert difference.mean() < 0.2


def test_thornthwaite_with_the_reference_sun_is_within_a_tenth(wichita: pd.DataFrame,
                                                               monkeypatch: pytest.MonkeyPatch) -> None:
    """With the reference's declination and days nothing of the difference is left but its leap days."""
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31.0])
    day = np.cumsum(days) - days + 15
    declination = 0.4093 * np.sin(2 * np.pi * day / 365 - 1.405)
    hours = 24 / np.pi * np.arccos(-np.tan(np.radians(WICHITA_LATITUDE[:, None])) * np.tan(declination))
    monkeypatch.setattr(evapotranspiration, "daylight_hours", lambda latitude_deg: hours)
    monkeypatch.setattr(evapotranspiration, "DAYS", days)
    ours = evapotranspiration.thornthwaite(wichita["tmean_c"].to_numpy()[None], WICHITA_LATITUDE,
                                           first_calendar_month=1)[0]
    february = (np.arange(len(ours)) % 12) == 1
    difference = np.abs(ours - wichita["ref_pet_thornthwaite_mm"])
    assert difference[~february].max() < 0.1


def test_driver_from_our_thornthwaite_equals_the_check_values(divisions: pd.DataFrame, referee: Path) -> None:
    """Division 4103 at 32.5 N: suction of all 1,536 months to the four decimals printed (bucket driver)."""
    expected = json.loads((referee / "cases_shared.json").read_text())["drivers"]["4103 thornthwaite"]
    division = divisions[divisions["division"] == "4103"]
    warmth = ((division["tavg_f"] - 32) / 1.8).to_numpy()[None]
    pet = evapotranspiration.thornthwaite(warmth, np.array([expected["latitude_deg"]]), first_calendar_month=1)[0]
    store, filling = 150.0, []
    for net in 0.8 * 25.4 * division["precip_in"].to_numpy() - pet:
        store = min(150.0, store + net) if net >= 0 else store * np.exp(net / 150)
        filling.append(store / 150)
    np.testing.assert_allclose(4.3 - 1.4 * np.array(filling), expected["u_s_pf"], atol=5.1e-5, rtol=0)


def test_spi_and_spei_of_seven_divisions(divisions: pd.DataFrame, open_data: Path) -> None:
    expected = json.loads((open_data / "drought" / "expected_spi_spei.json").read_text())["values"]
    names = sorted(expected)
    table = divisions[divisions["division"].isin(names)]
    dates = table["date"].unique().tolist()
    rain, pet = (25.4 * table.pivot(index="division", columns="date", values=c).loc[names].to_numpy()
                 for c in ("precip_in", "pet_in"))
    compared = 0
    for months in (1, 3, 6, 9, 12, 24):
        when = {"first_calendar_month": 1, "accumulation_months": months}
        ours = {"spi_thom": spi.compute(rain, **when), "spei_loglogistic": spei.compute(rain, pet, **when)}
        for row, name in enumerate(names):
            for date, values in expected[name].items():
                for kind, score in ours.items():
                    assert score[row, dates.index(date)] == pytest.approx(values[f"k{months}"][kind], abs=5.1e-5)
                    compared += 1
    assert compared == 7 * len(expected[names[0]]) * 6 * 2


@pytest.mark.parametrize(("month", "score"), [("1897-02", -1.675940), ("1904-03", -1.862732), ("1910-02", -1.675940)])
def test_month_without_rain_takes_the_top_of_the_dry_mass(divisions: pd.DataFrame, month: str, score: float) -> None:
    """Division 4105; value on which five packages agree (one other gives minus infinity)."""
    table = divisions[divisions["division"] == "4105"]
    ours = spi.compute(25.4 * table["precip_in"].to_numpy()[None], first_calendar_month=1, accumulation_months=1)[0]
    assert ours[table["date"].tolist().index(month)] == pytest.approx(score, abs=5e-7)


def test_fixed_width_text_equals_the_csv(open_data: Path, tmp_path: Path) -> None:
    """The rain of seven divisions in the publisher's own record form; temperature is written here in that form."""
    folder = open_data / "drought" / "climate_divisions"
    csv = folder / "nclimdiv_monthly_1895_2022.csv.gz"
    table = pd.read_csv(csv, dtype={"division": str})
    lines = [f"{division}02{year}" + "".join(f"{v:7.2f}" for v in group["tavg_f"])
             for (division, year), group in table.groupby(["division", table["date"].str[:4]])]
    (tmp_path / "t.txt").write_text("\n".join(lines))
    area = SimpleNamespace(resolve=lambda path: path)
    common = {"cell": "4103", "latitude_deg": 32.5}
    fixed, _, problems = climate_monthly.read(ClimateEntry(
        reader="noaa_fixed_width", path={"precipitation": folder / "climdiv-pcpndv-reemitted.txt",
                                         "temperature": tmp_path / "t.txt"}, **common), area)
    plain, _, _ = climate_monthly.read(ClimateEntry(reader="csv", path=csv, **common), area)
    assert problems == []
    assert len(fixed.monthly) == 1536
    pd.testing.assert_frame_equal(fixed.monthly, plain.monthly)


def test_real_palmer_file_is_refused_as_rain(open_data: Path) -> None:
    folder = open_data / "drought" / "climate_divisions"
    entry = ClimateEntry(reader="noaa_fixed_width", path={
        "precipitation": folder / "climdiv-pdsidv-reemitted.txt",
        "temperature": folder / "climdiv-pcpndv-reemitted.txt"}, cell="4103", latitude_deg=32.5)
    with pytest.raises(Exception, match="contains PDSI, but is given as precipitation"):
        climate_monthly.read(entry, SimpleNamespace(resolve=lambda path: path))
