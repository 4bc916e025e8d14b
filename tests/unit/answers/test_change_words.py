"""Sentences of a comparison: which cause did what, where most, how many passed a limit, in the units that are asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_results import results

from riskmap.answers import change_words, compare
from riskmap.answers.compared_weeks import week_line
from riskmap.common import month_numbers
from riskmap.common.results import Results

CLASSES = ["low", "moderate", "high", "very high"]


def lots(n: int = 40, **parts: np.ndarray) -> pd.DataFrame:
    """Return lots of which only given parts, such as `now_part_weather_mm`, differ from 0."""
    table = pd.DataFrame({"lot_id": [f"{k}" for k in range(n)], "state_before": "", "state_after": "",
                          "map_unit_name": "Ombrey clay", "shrink_swell_class": [CLASSES[k % 4] for k in range(n)],
                          "lot_row_before": np.arange(n), "lot_row_after": np.arange(n)})
    for short, column in compare.NUMBERS.items():
        names = compare.part_columns(short)
        for name in names:
            table[name] = parts.get(name, np.zeros(n))
        table[f"{column}_change"] = table[names].sum(axis=1)
        table[f"{column}_before"] = 19.0
        table[f"{column}_after"] = 19.0 + table[f"{column}_change"]
    moved = table[[f"{column}_change" for column in compare.NUMBERS.values()]].ne(0).any(axis=1)
    return table.assign(kind=np.where(moved, "changed", "same"))


def said(table: pd.DataFrame, system: str = "si", weather: str = "The drought of July 2018") -> str:
    return change_words.lead(table, compare._counts(table), weather, system)


def test_a_drought_raises_the_middle_most_on_the_heaviest_clay() -> None:
    by_class = np.tile([0.8, 1.6, 2.2, 3.4], 10)
    expected = np.where(np.arange(40) < 3, 1.5, 0.0)
    table = lots(now_part_weather_mm=by_class, expected_part_weather_mm=expected)
    assert said(table) == ("The drought of July 2018 raised the middle by 2.0 mm on average, most on the heaviest clay "
                           "(shrink-swell very high); the estimate passed 20 mm on 3 lots.")
    assert said(table, "us") == ("The drought of July 2018 raised the middle by 0.08 in on average, most on the "
                                 "heaviest clay (shrink-swell very high); the estimate passed 0.8 in on 3 lots.")


def test_where_most_is_the_soil_that_it_is() -> None:
    assert "most on soil of moderate shrink-swell" in said(lots(now_part_weather_mm=np.tile([1.0, 4.0, 1.0, 1.0], 10)))
    assert "most on" not in said(lots(now_part_weather_mm=np.tile([2.0, 2.1, 2.0, 1.9], 10))), "alike on all soils"
    one = lots(now_part_weather_mm=np.repeat([1.0, 3.0], 20)).assign(
        shrink_swell_class="high", map_unit_name=["Quellan sand"] * 20 + ["Ombrey clay"] * 20)
    assert ", most on Ombrey clay;" in said(one)
    few = lots(now_part_weather_mm=np.where(np.arange(40) < 3, 9.0, 1.0)).assign(
        shrink_swell_class=["high"] * 3 + ["low"] * 37)
    assert "most on" not in said(few), "three lots are no soil"


def test_a_fall_is_a_fall_and_both_ways_is_both_ways() -> None:
    assert said(lots(now_part_weather_mm=np.full(40, -1.5)), weather="The wet weather of May 2019").startswith(
        "The wet weather of May 2019 lowered the middle by 1.5 mm on average; the estimate passed 20 mm on no lot")
    both = said(lots(now_part_settings_mm=np.repeat([1.0, -1.0], 20)))
    assert both.startswith("Other settings moved the middle up on 20 lots and down on 20 lots, by 1.0 mm on average")


def test_the_cause_that_dominates_is_named_and_the_whole_is_told_where_it_differs() -> None:
    table = lots(now_part_soil_mm=np.full(40, 3.0), now_part_weather_mm=np.full(40, -1.0))
    assert said(table).startswith("The refreshed soil survey raised the middle by 3.0 mm on average, with all causes "
                                  "+2.0 mm; ")
    bars = change_words.bars(compare._counts(table), "si")
    assert [line.split("  ")[1] for line in bars[1:]] == ["the refreshed soil survey",
                                                          "new months of weather, and time passing"]
    assert (bars[1].count("#"), bars[2].count("#")) == (22, 7)
    assert max(map(len, bars)) <= 80
    assert change_words.bars(compare._counts(lots(now_part_soil_mm=np.full(40, 3.0))), "si") == []


def test_a_few_lots_are_told_as_a_few() -> None:
    three = np.where(np.arange(40) < 3, 2.0, 0.0)
    assert said(lots(now_part_lots_mm=three)).startswith("The changed lot file raised the middle of 3 lots by 2.0 mm "
                                                         "on average; ")
    one = np.where(np.arange(40) < 1, 2.0, 0.0)
    assert said(lots(now_part_lots_mm=one)).startswith("The changed lot file raised the middle of 1 lot by 2.0 mm; ")


def test_another_number_leads_where_now_is_the_same() -> None:
    table = lots(expected_part_calibration_mm=np.full(40, -2.5))
    assert said(table) == ("Another calibration lowered the estimate by 2.5 mm on average; bending now is the "
                           "same; the estimate passed 20 mm on no lot.")
    fell = lots(expected_part_calibration_mm=np.full(40, -2.5)).assign(expected_movement_mm_before=21.0)
    fell["expected_movement_mm_after"] = 18.5
    assert said(fell).endswith("the estimate passed 20 mm on no lot and fell below it on 40.")


def test_nothing_is_said_plainly() -> None:
    assert said(lots()) == "Nothing changed: all estimates (40 lots) are the same in both runs."
    hardly = lots(now_part_weather_mm=np.full(40, 0.01))
    assert said(hardly) == "No estimate changed by as much as the tables show."
    other = lots()
    changes = [name for name in other if "_part_" in name or name.endswith("_change")]
    other.loc[0, changes] = np.nan
    other.loc[0, ["kind", "state_after"]] = ["state_changed", "unmatched"]
    assert said(other) == ("Nothing changed: all estimates (39 lots) are the same in both runs; 1 lot gained or lost "
                           "an estimate or changed the reason for having none.")


def test_lots_that_gain_or_lose_an_estimate_enter_no_mean() -> None:
    table = lots(now_part_weather_mm=np.full(40, 2.0))
    changes = [name for name in table if "_part_" in name or name.endswith("_change")]
    table.loc[:9, changes] = np.nan
    table.loc[:9, "bend_now_mm_after"] = 99.0
    table.loc[:9, "expected_movement_mm_after"] = 99.0
    counts = compare._counts(table)
    assert (counts["with_estimate"], counts["passed_up"]) == (30, 0)
    assert counts["numbers"]["now"]["mean_mm"] == counts["numbers"]["now"]["largest_mm"] == 2.0
    assert change_words.number_lines(counts, "si")[0] == (
        "Now (middle against edge): +2.0 mm on average (+2.0 to +2.0 mm), all by new weather")
    assert change_words.number_lines(counts, "us")[3] == "Long run: no change"


def test_a_line_names_mean_and_range_of_each_cause() -> None:
    table = lots(now_part_weather_mm=np.linspace(-1, 3, 40), now_part_soil_mm=np.full(40, 0.5))
    assert change_words.number_lines(compare._counts(table), "si")[0] == (
        "Now (middle against edge): +1.5 mm on average (-0.5 to +3.5 mm); new weather +1.0 mm on average (-1.0 to +3.0"
        " mm); soil survey +0.5 mm on average (+0.5 to +0.5 mm)")


def test_why_one_lot_changed() -> None:
    table = lots(4, now_part_weather_mm=np.array([2.0, 0.0, 0.0, 0.02]), now_part_soil_mm=np.array([-0.5, 0, 0, 0]),
                 next_part_weather_mm=np.array([-1.25, 0, 0, 0]))
    table.loc[2, ["kind", "state_after"]] = ["state_changed", "not_applicable"]
    none = pd.Series([""] * 4)
    why = change_words.why(table, {"before": none, "after": pd.Series(["", "", "a crawl space", ""])})
    assert why[0] == ("bending now +1.5 mm: +2.0 mm new months of weather, and time passing; -0.5 mm the refreshed "
                      "soil survey\nchange of the next 12 months -1.2 mm; estimate 0.0 mm; long run 0.0 mm")
    assert why[1] == ""
    assert why[2] == "before: an estimate\nnow: not_applicable (a crawl space)"
    assert why[3].startswith("bending now 0.0 mm\n")


# ---------------------------------------------------------------- what the new months are called
def weather(today: str, rain: float, category: str = "none", dates: tuple[str, ...] = ("2018-07-10", "2018-07-17")
            ) -> Results:
    """Return a run of July 2018 whose July rain in the 20 years before was 1 to 20 mm."""
    found = results()
    table = pd.DataFrame({"cell_id": "Z01", "month": [f"{year}-07" for year in range(1998, 2019)],
                          "precipitation_mm": [*np.arange(1.0, 21.0), rain]})
    weeks = pd.DataFrame({"cell_id": "Z01", "valid_date": list(dates), "category": category})
    return replace(found, lots=found.lots.assign(cell_id="Z01"), today=today, climate=table, drought_weeks=weeks)


@pytest.mark.parametrize(("rain", "category", "wanted"), [
    (3.0, "D2", "The drought of July 2018"), (10.5, "D1", "The drought of July 2018"),
    (19.5, "D2", "The wet weather of July 2018"),  # rain ended it
    (3.0, "none", "The dry weather of July 2018"), (3.0, "D0", "The dry weather of July 2018"),
    (10.5, "none", "The weather of July 2018"), (19.5, "none", "The wet weather of July 2018"),
    (np.nan, "D3", "The drought of July 2018"), (np.nan, "none", "The weather of July 2018"),
])
def test_what_the_new_months_are_called(rain: float, category: str, wanted: str) -> None:
    before = replace(results(), today="2018-06")
    assert change_words.new_weather(before, weather("2018-07", rain, category)) == wanted


def test_maps_of_other_months_and_short_records_name_no_drought() -> None:
    before = replace(results(), today="2018-06")
    june = weather("2018-07", 10.5, "D3", ("2018-06-26",))
    assert change_words.new_weather(before, june) == "The weather of July 2018"
    short = weather("2018-07", 3.0)
    nine_years = replace(short, climate=short.climate.iloc[-9:])
    assert change_words.new_weather(before, nine_years) == "The weather of July 2018"
    assert change_words.new_weather(replace(before, today="2018-07"), short) == "The weather"
    assert change_words.new_weather(replace(before, today="2017-06"), short) == "The weather of July 2017 to July 2018"


def test_months_in_words() -> None:
    june = month_numbers.parse_month("2018-06")
    assert [month_numbers.in_words(june, june + k) for k in (0, 1, 2, 7)] == [
        "June 2018", "June and July 2018", "June to August 2018", "June 2018 to January 2019"]


def test_missing_weeks_are_one_line() -> None:
    weeks = {"new": [], "gone": [], "reissued": [], "missing_now": [f"2018-09-{day:02d}" for day in range(1, 31)]}
    assert week_line(weeks) == ("Weekly drought maps: 30 weeks without a map between the first and the last map of the "
                                "second run (2018-09-01, 2018-09-02, 2018-09-03, 2018-09-04 and 26 more).")
