"""Reading daily weather: station files of the archive and plain tables, written here, good and bad."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from riskmap.climate.history import coldest_normal
from riskmap.common import tables
from riskmap.common.errors import LayerError
from riskmap.common.month_numbers import month_number
from riskmap.layers import climate_daily, daily_gaps
from riskmap.layers.climate_daily import DailyRecord

FIRST, YEARS = "1991-01-01", 21
DAYS = pd.date_range(FIRST, f"{1991 + YEARS - 1}-12-31")
RNG = np.random.default_rng(11)
RAIN = np.where(RNG.random(DAYS.size) < 0.25, np.round(RNG.gamma(0.7, 14, DAYS.size), 1), 0.0)
SEASON = 17 - 11 * np.cos(2 * np.pi * (np.asarray(DAYS.day_of_year) - 15) / 365)
WARMTH = np.round(SEASON + RNG.normal(0, 2, DAYS.size), 1)


def plain(**columns: object) -> pd.DataFrame:
    """Return a good plain table as text, with other columns where given."""
    good = {"date": DAYS.strftime("%Y-%m-%d"), "rain_mm": RAIN, "tavg_c": WARMTH}
    return pd.DataFrame({**good, **columns}).astype(str)


def station(**columns: object) -> pd.DataFrame:
    """Return a good station file of the archive as text, with other columns where given."""
    tenths = {name: np.round(10 * values).astype(int) for name, values in (
        ("PRCP", RAIN), ("TMAX", WARMTH + 6), ("TMIN", WARMTH - 6))}
    good = {"STATION": "USC00410001", "DATE": DAYS.strftime("%Y-%m-%d"), "LATITUDE": "30.5", "PRCP": tenths["PRCP"],
            "PRCP_ATTRIBUTES": ",,0,2400", "TMAX": tenths["TMAX"], "TMAX_ATTRIBUTES": ",,0", "TMIN": tenths["TMIN"],
            "TMIN_ATTRIBUTES": ",,0"}
    return pd.DataFrame({**good, **columns}).astype(str)


def place(day: str) -> int:
    return int(DAYS.get_loc(day))


def read(folder: Path, table: pd.DataFrame, **options: object) -> tuple[DailyRecord, list]:
    table.to_csv(folder / "days.csv", index=False)
    given = {"latitude_deg": 30.5, **options}
    (record,), problems = climate_daily.read(folder / "days.csv", Path("days.csv"), **given)  # type: ignore[arg-type]
    return record, problems


def refused(folder: Path, table: pd.DataFrame, **options: object) -> LayerError:
    with pytest.raises(LayerError) as error:
        read(folder, table, **options)
    return error.value


def codes(problems: list) -> list[str]:
    return [p.code for p in problems]


def monthly(first_year: int, years: int, rain: float = 80.0) -> pd.DataFrame:
    month = month_number(first_year, 1) + np.arange(12 * years)
    return pd.DataFrame({"cell_id": "area", "month": month, "precipitation_mm": rain, "pet_mm": np.nan,
                         "temperature_c": 17 - 11 * np.cos(2 * np.pi * (month % 12) / 12)})


def test_a_plain_table_in_mm_and_celsius(tmp_path: Path) -> None:
    record, problems = read(tmp_path, plain())
    assert problems == []
    assert (record.cell_id, record.latitude_deg, record.first_month) == ("area", 30.5, month_number(1991, 1))
    assert (record.temperature, record.observation_hour) == (climate_daily.MEANS, "")
    assert record.rain_mm.tolist() == RAIN.tolist()
    assert record.temperature_c.tolist() == WARMTH.tolist()
    assert record.from_days.all()
    january = record.monthly.iloc[0]
    assert january["precipitation_mm"] == pytest.approx(RAIN[:31].sum())
    assert january["temperature_c"] == pytest.approx(WARMTH[:31].mean())
    tables.check(tables.CLIMATE_MONTHLY, record.monthly)


def test_inches_and_fahrenheit_and_extremes(tmp_path: Path) -> None:
    table = plain().drop(columns=["rain_mm", "tavg_c"]).assign(
        PRCP_in=(RAIN / 25.4).astype(str), TMAX_F=(1.8 * (WARMTH + 6) + 32).astype(str),
        TMIN_F=(1.8 * (WARMTH - 6) + 32).astype(str))
    record, problems = read(tmp_path, table)
    assert problems == []
    assert record.rain_mm == pytest.approx(RAIN)
    assert record.temperature_c == pytest.approx(WARMTH)
    assert record.temperature == climate_daily.EXTREMES


def test_a_trace_is_no_rain_and_a_code_is_no_value(tmp_path: Path) -> None:
    rain = RAIN.astype(str)
    rain[5], rain[6] = "T", "-9999"
    record, problems = read(tmp_path, plain(rain_mm=rain))
    assert record.rain_mm[5] == 0.0
    assert record.rain_mm[6] > 0  # filled, and told
    assert codes(problems) == ["W-CLI-100"]


def test_a_station_file_is_in_tenths(tmp_path: Path) -> None:
    record, problems = read(tmp_path, station(), latitude_deg=None)
    assert problems == []
    assert (record.cell_id, record.latitude_deg, record.observation_hour) == ("USC00410001", 30.5, "2400")
    assert record.rain_mm == pytest.approx(RAIN)
    assert record.temperature_c == pytest.approx(WARMTH, abs=0.051)


def test_one_kind_of_mean_temperature_in_the_whole_record(tmp_path: Path) -> None:
    average = pd.Series((10 * WARMTH + 90).round().astype(int).astype(str))
    average[3000:] = ""
    record, _ = read(tmp_path, station(TAVG=average, TAVG_ATTRIBUTES="H,,S"))
    assert record.temperature == climate_daily.EXTREMES
    assert record.temperature_c == pytest.approx(WARMTH, abs=0.051)


def test_flagged_values_are_dropped_and_counted(tmp_path: Path) -> None:
    flags = np.full(DAYS.size, ",,0,2400", dtype=object)
    flags[place("1995-06-10")], flags[place("1995-07-10")] = ",X,0,2400", "P,,0,2400"
    rain = np.round(10 * RAIN).astype(int)
    rain[place("1995-06-10")], rain[place("1995-07-10")] = 9999, 0
    record, problems = read(tmp_path, station(PRCP=rain, PRCP_ATTRIBUTES=flags))
    assert codes(problems) == ["W-CLI-103", "W-CLI-107", "W-CLI-100"]
    row = place("1995-06-10") + 2
    assert f"1 rows ({row})" in problems[0].rule
    assert problems[0].value == "X"
    june = np.concatenate([RAIN[(DAYS.month == 6) & (DAYS.year == y)] for y in range(1991, 2012) if y != 1995])
    assert record.rain_mm[place("1995-06-10")] == pytest.approx(june.mean())
    assert record.rain_mm[place("1995-07-10")] > 0


def test_without_flags_it_is_told(tmp_path: Path) -> None:
    _, problems = read(tmp_path, station().drop(columns="TMAX_ATTRIBUTES"))
    assert codes(problems) == ["W-CLI-104"]


def test_the_hour_of_observation_is_told(tmp_path: Path) -> None:
    hours = np.where(DAYS.year < 2000, ",,0,0700", ",,0,2400")
    record, problems = read(tmp_path, station(PRCP_ATTRIBUTES=hours))
    assert record.observation_hour == "2400"
    assert codes(problems) == ["W-CLI-102"]
    assert f"{(DAYS.year < 2000).sum():,} of {DAYS.size:,}" in problems[0].rule


def test_short_gaps_are_filled_and_told_and_longer_ones_are_not(tmp_path: Path) -> None:
    rain, warmth = RAIN.astype(str), WARMTH.astype(str)
    few, many = place("1996-03-05"), place("1998-03-05")
    rain[few : few + daily_gaps.RAIN_DAYS] = ""
    rain[many : many + daily_gaps.RAIN_DAYS + 1] = ""
    short, long = place("1997-05-28"), place("1999-05-10")
    warmth[short : short + daily_gaps.WARMTH_DAYS] = ""
    warmth[long : long + daily_gaps.WARMTH_DAYS + 1] = ""
    record, problems = read(tmp_path, plain(rain_mm=rain, tavg_c=warmth))
    march = np.concatenate([RAIN[(DAYS.month == 3) & (DAYS.year == y)] for y in range(1991, 2012)
                            if y not in (1996, 1998)])
    assert record.rain_mm[few : few + 3] == pytest.approx([march.mean()] * 3)
    line = np.interp(np.arange(5), [-1, 5], WARMTH[[short - 1, short + 5]])
    assert record.temperature_c[short : short + 5] == pytest.approx(line)
    lost = [month_number(1998, 3) - record.first_month, month_number(1999, 5) - record.first_month]
    assert np.flatnonzero(~record.from_days).tolist() == lost
    assert np.isnan(record.rain_mm[place("1998-03-01") : place("1998-04-01")]).all()
    assert np.isnan(record.temperature_c[place("1999-05-01") : place("1999-06-01")]).all()
    assert np.isfinite(record.rain_mm).sum() == DAYS.size - 62
    assert record.monthly["precipitation_mm"].isna().sum() == 2
    assert codes(problems) == ["W-CLI-100", "W-CLI-100", "W-CLI-101", "W-CLI-101"]
    assert [p.value for p in problems[2:]] == ["area 1998-03", "area 1999-05"]
    assert "3 do not" in problems[0].rule
    assert "5 do not" in problems[1].rule


def test_absent_rows_are_gaps_like_empty_cells(tmp_path: Path) -> None:
    gone = slice(place("2001-08-03"), place("2001-08-20"))
    record, problems = read(tmp_path, plain().drop(index=range(gone.start, gone.stop)))
    assert codes(problems) == ["W-CLI-101"]
    assert np.isnan(record.rain_mm[place("2001-08-01") : place("2001-09-01")]).all()
    assert record.rain_mm.size == DAYS.size


def test_missing_rain_is_not_filled_where_no_usual_rain_is_known(tmp_path: Path) -> None:
    rain = RAIN.astype(str)
    rain[np.asarray((DAYS.month == 2) & (DAYS.day == 3))] = ""
    record, problems = read(tmp_path, plain(rain_mm=rain), months=monthly(1991, YEARS))
    assert (~record.from_days).sum() == YEARS
    assert np.isnan(record.rain_mm).tolist() == (DAYS.month == 2).tolist()
    assert set(codes(problems)) == {"W-CLI-105"}


def test_the_monthly_record_continues_and_fills_whole_months(tmp_path: Path) -> None:
    rain = RAIN.astype(str)
    rain[place("1998-03-05") : place("1998-03-12")] = ""
    record, problems = read(tmp_path, plain(rain_mm=rain).iloc[: place("2010-06-20")],
                            months=monthly(1981, 32).iloc[:-6])
    assert record.first_month == month_number(1981, 1)
    assert record.from_days.size == 12 * 32 - 6
    lost = np.flatnonzero(~record.from_days) + record.first_month
    assert lost.tolist() == [*range(month_number(1981, 1), month_number(1991, 1)), month_number(1998, 3),
                             *range(month_number(2010, 6), month_number(2012, 7))]
    by_month = record.monthly.set_index("month")["precipitation_mm"]
    assert by_month[lost].tolist() == [80.0] * len(lost)
    assert by_month.notna().all()
    assert [(p.code, p.value) for p in problems] == [
        ("W-CLI-105", "area 1998-03"), ("W-CLI-105", "area 2010-06"), ("W-CLI-106", "area 1981-01..1990-12"),
        ("W-CLI-106", "area 2010-07..2012-06")]


def test_less_than_twenty_years_needs_the_monthly_record(tmp_path: Path) -> None:
    short = plain().iloc[: place("2010-12-01")]
    error = refused(tmp_path, short)
    assert "E-CLI-107 days.csv: area has 239 whole months by days" in str(error)
    record, problems = read(tmp_path, short, months=monthly(1985, 10))
    assert (record.from_days.sum(), record.from_days.size) == (239, 239 + 72)
    assert codes(problems) == ["W-CLI-106"]


@pytest.mark.parametrize(("column", "value", "rule"), [
    ("PRCP", "-20", "0..1900 mm"), ("PRCP", "25000", "0..1900 mm"), ("TMAX", "700", "-75..58 degC"),
    ("TMIN", "400", "not above its highest")])
def test_impossible_values_name_row_column_value_and_remedy(tmp_path: Path, column: str, value: str, rule: str) -> None:
    table = station()
    table.loc[100, column] = value
    _, problems = read(tmp_path, table)
    bad = problems[0]
    assert (bad.code, bad.file, bad.row) == ("E-CLI-102", "days.csv", 102)
    assert rule in bad.rule
    assert bad.column == climate_daily.ELEMENTS[column]
    assert float(bad.value) == int(value) / 10
    assert bad.remedy
    assert codes(problems[1:]) == ["W-CLI-100"]


def test_a_file_in_other_units_is_refused(tmp_path: Path) -> None:
    decimals = refused(tmp_path, station(PRCP=RAIN))
    first = int(np.argmax(RAIN >= 0))
    assert f"E-CLI-106 days.csv row {first + 2} column PRCP" in str(decimals)
    degrees = refused(tmp_path, station(TMAX=(WARMTH + 6).astype(int), TMIN=(WARMTH - 6).astype(int)))
    assert "E-CLI-106 days.csv column TMAX or TAVG" in str(degrees)
    inches = refused(tmp_path, plain(rain_mm=25.4 * RAIN))
    assert "E-CLI-018" in str(inches)
    assert "E-CLI-065" in str(refused(tmp_path, plain(), latitude_deg=-30.5))


@pytest.mark.parametrize(("change", "said"), [
    ({"drop": "date"}, "E-CLI-104 days.csv: no column date"),
    ({"drop": "tavg_c"}, "E-CLI-104 days.csv: rain or mean temperature is missing"),
    ({"rename": ("rain_mm", "rain")}, "E-CLI-105 days.csv column rain: its heading names no unit"),
    ({"copy": ("rain_mm", "precip_mm")}, "E-CLI-105 days.csv: columns rain_mm, precip_mm give the same quantity"),
    ({"cell": "else"}, "E-CLI-108 days.csv: no station or cell 'else'; it has one"),
    ({"latitude": None}, "E-CLI-109 days.csv: the latitude of one is not known"),
    ({"dates": True}, "E-CLI-110 days.csv column date"),
])
def test_what_is_missing_is_named(tmp_path: Path, change: dict, said: str) -> None:
    table = plain(cell_id="one")
    options: dict[str, object] = {}
    if "drop" in change:
        table = table.drop(columns=change["drop"])
    if "rename" in change:
        table = table.rename(columns=dict([change["rename"]]))
    if "copy" in change:
        old, new = change["copy"]
        table[new] = table[old]
    if "dates" in change:
        table["date"] = DAYS.strftime("%m/%d/%y")
    options = {key: change[name] for key, name in (("cell", "cell"), ("latitude_deg", "latitude")) if name in change}
    assert said in str(refused(tmp_path, table, **options))


def test_no_value_at_all(tmp_path: Path) -> None:
    assert "E-CLI-111" in str(refused(tmp_path, plain(rain_mm="", tavg_c="")))


def test_rows_that_cannot_be_read_are_told_one_by_one(tmp_path: Path) -> None:
    table = plain()
    table.loc[50, "date"], table.loc[60, "rain_mm"] = "1991-02-30", "much"
    record, problems = read(tmp_path, table)
    assert [(p.code, p.row, p.value) for p in problems[:2]] == [("E-CLI-101", 62, "much"),
                                                               ("E-CLI-100", 52, "1991-02-30")]
    assert record.from_days.all()  # both days filled
    assert codes(problems[2:]) == ["W-CLI-100", "W-CLI-100"]


def test_a_day_twice(tmp_path: Path) -> None:
    table = plain()
    other = table.iloc[[200]].assign(rain_mm="77.7")
    record, problems = read(tmp_path, pd.concat([table, table.iloc[[100]], other]))
    assert codes(problems) == ["W-CLI-108", "E-CLI-103", "W-CLI-100", "W-CLI-100"]
    assert record.rain_mm[100] == RAIN[100]
    assert record.rain_mm[200] not in (RAIN[200], 77.7)


def test_several_cells_in_one_table(tmp_path: Path) -> None:
    both = pd.concat([plain(cell_id="b", rain_mm=RAIN + 1), plain(cell_id="a")])
    both.to_csv(tmp_path / "days.csv", index=False)
    records, problems = climate_daily.read(tmp_path / "days.csv", Path("days.csv"), latitude_deg=30.5)
    assert problems == []
    assert [r.cell_id for r in records] == ["a", "b"]
    assert records[1].rain_mm == pytest.approx(records[0].rain_mm + 1)
    (one,), _ = climate_daily.read(tmp_path / "days.csv", Path("days.csv"), latitude_deg=30.5, cell="b")
    assert one.rain_mm.tolist() == records[1].rain_mm.tolist()


def test_a_month_below_freezing_is_found_from_the_days(tmp_path: Path) -> None:
    record, _ = read(tmp_path, plain(tavg_c=WARMTH - 10))
    warmth = record.monthly["temperature_c"].to_numpy()[None]
    assert coldest_normal(warmth, record.first_month, 1991, 2011)[0] < 0


def test_the_sample_of_a_real_station(open_data: Path) -> None:
    name = Path("daily/college_station_tx_usw00003904_2000_2021.csv.gz")
    with pytest.raises(LayerError, match=r"E-CLI-107 .* 162 whole months by days"):
        climate_daily.read(open_data / name, name, cell="area", latitude_deg=30.59)
    (record,), problems = climate_daily.read(open_data / name, name, cell="area", latitude_deg=30.59,
                                             months=monthly(1990, 32))
    lost = np.flatnonzero(~record.from_days) + record.first_month
    inside = [m for m in lost if month_number(2000, 1) <= m <= month_number(2021, 3)]
    assert inside == [*range(month_number(2005, 8), month_number(2013, 4)), month_number(2021, 3)]
    assert sum(p.code == "W-CLI-105" for p in problems) == 2
