"""What a setting may be, which settings contradict each other, and what is said about it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from each_case import check_each
from pydantic import ValidationError

from riskmap.common import setting_ranges, setting_words, settings
from riskmap.common.errors import SettingsError
from riskmap.common.settings import Area
from riskmap.evidence import constants_sources

NAMED = '[area]\nname = "a"\n[lots]\npath = "l.csv"\n[soil]\npath = "s.zip"\n'
LISTED = [(section, key) for section in ("lot_settings", "soil_settings", "climate_settings", "movement")
          for key in setting_ranges.RANGES[section]]


def refused(folder: Path, more: str) -> str:
    (folder / "area.toml").write_text(NAMED + more, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        settings.load(folder / "area.toml")
    return str(caught.value)


def accepted(folder: Path, more: str) -> Area:
    (folder / "area.toml").write_text(NAMED + more, encoding="utf-8")
    return settings.load(folder / "area.toml")


@pytest.mark.parametrize(("more", "code", "words"), [
    ("[soil_settings]\nlep_cap_pct = 0", "E-SET-010", "'soil_settings.lep_cap_pct' is 0, and must be in the range 9 "),
    ("[soil_settings]\nlep_cap_pct = -20.0", "E-SET-010", "is -20, and must be"),
    ("[soil_settings]\nlep_cap_pct = nan", "E-SET-010",
     "is nan, and must be in the range 9 to 24 % and a finite number."),
    ("[soil_settings]\nlep_cap_pct = 0.2", "E-SET-010", "0.2 looks like a share, and per cent are meant: write 20."),
    ("[movement]\ndiffusivity_m2_per_yr = 0.0", "E-SET-010", "is 0, and must be in the range 0.03 to 10 m2/yr."),
    ("[movement]\ndiffusivity_m2_per_yr = -1.85", "E-SET-010", "is -1.85, and must be"),
    ("[movement]\ndiffusivity_m2_per_yr = 6e-4", "E-SET-010", "looks like cm2/s, and m2/yr is meant: write 1.89."),
    ("[movement]\nrestraint_draw = [-0.5, -0.1]", "E-SET-010", "is [-0.5, -0.1], and each value must be in the range"),
    ("[movement]\nrestraint_draw = [50, 80]", "E-SET-010",
     "[50, 80] looks like per cent, and a share is meant: write [0.5, 0.8]."),
    ("[lot_settings]\ndefault_half_width_m = 1000.0", "E-SET-010",
     "1000 looks like centimetres, and metres are meant: write 10."),
    ("[lot_settings]\ndefault_half_width_m = 20", "E-SET-010",
     "20 looks like decimetres or feet, and metres are meant: write 2 or 6.1."),
    ("[climate_settings]\nrain_factor = 80", "E-SET-010",
     "80 looks like per cent, and a share is meant: write 0.8."),
    ("[movement]\nactive_depth_m = 35", "E-SET-010", "35 looks like decimetres, and metres are meant: write 3.5."),
    ("[movement]\nactive_depth_m = 3500", "E-SET-010", "3500 looks like millimetres, and metres are meant: write 3.5."),
    ("[movement]\nactive_depth_m = 0", "E-SET-010", "is 0, and must be in the range 1 to 7 m."),
    ("[movement]\nseed = -1", "E-SET-010", "is -1, and must be in the range 0 to 9007199254740991."),
    (f"[movement]\nseed = {2**64}", "E-SET-010", "is a number of 65 bits, and must be"),
    ("[movement]\nwet_limit_pf = 4.9", "E-SET-010", "must be in the range 2.5 to 3.7 pF."),
    ("[movement]\nwet_limit_pf = 100", "E-SET-010", "100 looks like kPa, and pF is meant: write 3.01."),
    ("[movement]\nload_kpa = [nan, nan]", "E-SET-010",
     "each value must be in the range 2 to 20 kPa and a finite number."),
    ("[movement]\nload_kpa = [100, 150]", "E-SET-010", "looks like pounds per square foot, and kPa is meant"),
    ("[movement]\nleak_pf = 1.5", "E-SET-010", "Wetter is negative and drier is positive: write -1.5."),
    ("[movement]\nhistory_months = 121", "E-SET-010", "must be in the range 0 to 120 months."),
    ('[climate]\nreader = "csv"\npath = "c"\nlatitude_deg = 95', "E-SET-010", "in the range -90 to 90 deg."),
    ('[climate]\nreader = "csv"\npath = "c"\nlatitude_deg = { a = 31, b = -91.5 }', "E-SET-010",
     "is a: 31, b: -91.5, and each value must be"),
    ("[movement]\nload_kpa = [7.0, 5.0]", "E-SET-011",
     "movement.load_kpa = [7, 5]: the first value must not be above the second. Write [5, 7]."),
    ("[climate_settings]\nequilibrium_first_year = 2020\nequilibrium_last_year = 1951", "E-SET-011",
     "climate_settings.equilibrium_first_year = 2020 and climate_settings.equilibrium_last_year = 1951 contradict"),
    ("[climate_settings]\nnormal_first_year = 2015", "E-SET-011", "at least 10 years."),
    ("[movement]\nactive_depth_m = 5", "E-SET-011", "movement.active_depth_m = 5 and movement.active_depth_draw_m = "
     "[3, 4] contradict each other: the median must lie between both ends. Change both together."),
    ("[movement]\ndiffusivity_clip = [2, 3]", "E-SET-011", "movement.diffusivity_m2_per_yr = 1.85"),
    ("[movement]\nwet_limit_pf = 3.5\nwet_limit_sd_pf = 0.4", "E-SET-011",
     "so the wet limit must lie below the dry one"),
    ("[movement]\nguard_pf = [3.0, 4.8]", "E-SET-011", "the guard must contain the limit."),
    ("[movement]\nguard_pf = [2.5, 4.2]", "E-SET-011", "the guard must contain the limit."),
    ("[movement]\nrain_factor_draw = [0.9, 1.0]", "E-SET-011", "climate_settings.rain_factor = 0.8"),
    ("[climate_settings]\nbucket_capacity_mm = 250", "E-SET-011", "movement.bucket_draw_mm = [100, 200]"),
    ("[lot_settings]\ndefault_half_width_m = 2", "E-SET-011",
     "half width over active depth must lie between 0.8 and 9"),
    ("[soil_settings]\nlep_cap_pct = 24\n[movement]\nactive_depth_m = 6\nactive_depth_draw_m = [5, 7]\n"
     "restraint_draw = [0.8, 1]", "E-SET-011", "together they let the ground move by more than 4 m"),
])
def test_a_setting_that_cannot_be_meant_is_refused(more: str, code: str, words: str, tmp_path: Path) -> None:
    lines = refused(tmp_path, more).splitlines()
    assert len(lines) == 1, lines
    assert lines[0].startswith(f"{code} area.toml: ")
    assert words in lines[0]


@pytest.mark.parametrize(("more", "words"), [
    ("[movement]\ndraws = true", "'movement.draws' is true, and a number is wanted"),
    ("[movement]\nload_kpa = [true, 6]",
     "'movement.load_kpa' must be two numbers in brackets, as in load_kpa = [5, 7]."),
    ("[movement]\nload_kpa = 6", "'movement.load_kpa' must be two numbers in brackets, as in load_kpa = [5, 7]."),
    ("[movement]\nload_kpa = [6]", "'movement.load_kpa' must be two numbers in brackets"),
    ("[movement]\nactive_depth_m = \"3.5 m\"", "'movement.active_depth_m' is \"3.5 m\", and a number is wanted"),
    ("[movement]\ndraws = 20.5", "'movement.draws' is 20.5, and a whole number is wanted"),
    ('[[index]]\npath = "g"\nname = "spi"\nfirst_month = "2025-13"', "'index.0.first_month' is not a month"),
])
def test_what_is_no_number_and_no_month_is_told_as_such(more: str, words: str, tmp_path: Path) -> None:
    line = refused(tmp_path, more)
    assert line.startswith("E-SET-001 area.toml: ")
    assert words in line


@pytest.mark.parametrize(("month", "code"), [
    ("2026-13", "E-SET-001"), ("2026-00", "E-SET-001"), ("\uff12025-10", "E-SET-001"), ("1700-01", "E-SET-010"),
    ("2100-01", "E-SET-010")])
def test_a_month_of_now_that_no_record_has_is_refused(month: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "area.toml").write_text(NAMED.replace('"a"', f'"a"\ntoday = "{month}"'), encoding="utf-8")
    with pytest.raises(SettingsError, match=f"^{code} area.toml: 'today' "):
        settings.load(tmp_path / "area.toml")


def test_all_findings_are_told_together_also_those_between_sections(tmp_path: Path) -> None:
    text = refused(tmp_path, "[soil_settings]\nlep_cap_pct = 0\n[climate_settings]\nbucket_capacity_mm = 250\n"
                             "[movement]\nseed = -1\nload_kpa = [7, 5]\ndraw = 3\nwet_limit_pf = 3.5\n"
                             "wet_limit_sd_pf = 0.4\n")
    lines = text.splitlines()
    assert [line[:9] for line in lines] == [f"E-SET-{n:03d}" for n in (10, 10, 11, 11, 1, 11)]
    assert "bucket_capacity_mm = 250" in lines[-1]


def test_a_refused_value_is_not_also_a_contradiction_with_its_default(tmp_path: Path) -> None:
    line = refused(tmp_path, "[climate_settings]\nrain_factor = 50\n[movement]\nrain_factor_draw = [0.4, 0.6]\n")
    assert line.splitlines() == [line]
    assert "write 0.5" in line


def test_whole_numbers_stand_for_numbers_and_texts_stay(tmp_path: Path) -> None:
    area = accepted(tmp_path, "[movement]\nactive_depth_m = 3\nload_kpa = [5, 8]\n")
    assert (area.movement.active_depth_m, area.movement.load_kpa) == (3.0, (5.0, 8.0))
    assert area.lots.path == Path("l.csv")


def test_both_ends_belong_to_the_range_and_nothing_beyond_them() -> None:
    check_each(LISTED, both_ends_belong_and_nothing_beyond_them, ".".join)


def both_ends_belong_and_nothing_beyond_them(place: tuple[str, str]) -> None:
    section, key = place
    model = Area.model_fields[section].default.__class__
    allowed, default = setting_ranges.RANGES[section][key], model.model_fields[key].default
    assert allowed.holds(default)
    for end, beyond in ((allowed.low, -1.0), (allowed.high, 1.0)):
        step = 1 if isinstance(default, int) else 1e-9 + abs(float(end)) * 1e-9
        outside = [math.nan, math.inf, -math.inf] if isinstance(default, float) else []
        outside += [[math.nan, 1.0], [1.0, math.inf]] if isinstance(default, tuple) else []
        wrong: list[Any] = [*outside, end + beyond * step]
        for value in wrong:
            given = [value, value] if isinstance(default, tuple) and not isinstance(value, list) else value
            assert codes_of(model, {key: given}) & {"outside_its_range"}, (key, given)
        right = [end, end] if isinstance(default, tuple) else end
        assert not codes_of(model, {key: right}) - {"against_another_setting"}, (key, right)


def codes_of(model: Any, values: dict[str, Any]) -> set[str]:
    try:
        model.model_validate(values)
    except ValidationError as error:
        return {finding["type"] for finding in error.errors()}
    return set()


def test_every_number_and_month_of_an_area_file_has_a_range() -> None:
    """A setting without one would be taken as it is; texts, paths and choices have none."""
    for name, field in Area.model_fields.items():
        for model in setting_words.models_in(field.annotation):
            section = model.SECTION
            for key, one in model.model_fields.items():
                kind = str(one.annotation)
                if ("int" in kind or "float" in kind) and "bool" not in kind:
                    assert key in setting_ranges.RANGES[section], (name, key)
    assert set(setting_ranges.RANGES["area"]) == {"today"}
    known = {model.SECTION: set(model.model_fields) for field in Area.model_fields.values()
             for model in setting_words.models_in(field.annotation)} | {"area": set(Area.model_fields)}
    for section, keys in setting_ranges.RANGES.items():
        assert set(keys) <= known[section]
    for rule in setting_ranges.RULES:
        for full in rule.names:
            section, key = full.split(".")
            assert key in known[section]


def test_every_range_has_a_reason_that_begins_with_its_standing() -> None:
    for keys in setting_ranges.RANGES.values():
        for key, allowed in keys.items():
            standing, _, reason = allowed.why.partition(": ")
            assert standing in constants_sources.STANDINGS, key
            assert len(reason) > 10, key
            assert allowed.low < allowed.high, key


def test_the_unit_of_a_range_is_that_of_the_constant() -> None:
    for constant in constants_sources.CONSTANTS:
        if constant.range is not None:
            assert constant.range.unit == constant.unit, constant.where
    table = constants_sources.constants().set_index("constant")
    assert table.loc["movement.active_depth_m", "range"] == "1 to 7 m"
    assert table.loc["movement.active_depth_m", "range_source"].startswith("practice: ")
    assert table.loc["riskmap.movement.grid.FAR_FIELD", "range"] == ""


# ---------------------------------------------------------------------------------------------- the month of now
def an_area(**climate: int) -> Area:
    return Area.model_validate({"name": "a", "lots": {"path": "l"}, "soil": {"path": "s"}, "climate_settings": climate})


def test_years_that_are_not_over_are_refused_when_the_area_file_gives_them() -> None:
    now = 12 * 2025 + 9
    assert settings.against_today(an_area(), now) == []
    assert settings.against_today(an_area(), 12 * 1985) == []  # a run for long ago, with the usual periods
    given = an_area(equilibrium_first_year=2020, equilibrium_last_year=2060)
    assert settings.against_today(given, now) == [
        "E-SET-013 area file: 'climate_settings.equilibrium_first_year' is 2020 and 'equilibrium_last_year' is 2060, "
        "and the present month is 2025-10: at least 30 of these years must be over."]
    assert settings.against_today(an_area(normal_first_year=2016, normal_last_year=2025), now)
    assert settings.against_today(an_area(normal_first_year=2016, normal_last_year=2025), 12 * 2025 + 11) == []


def test_a_year_from_which_slabs_date_lies_before_now() -> None:
    area = Area.model_validate({"name": "a", "lots": {"path": "l"}, "soil": {"path": "s"},
                                "lot_settings": {"unknown_pour_earliest": 2025}})
    assert settings.against_today(area, 12 * 2025 + 1) == []
    (line,) = settings.against_today(area, 12 * 2025)
    assert line.startswith("E-SET-013 area file: 'lot_settings.unknown_pour_earliest' is 2025, and the present month "
                           "is 2025-01: ")


@pytest.mark.parametrize("value", ["0", "0.5", "-3", '"deep"'])
def test_the_former_root_zone_is_refused_with_what_to_use(tmp_path: Path, value: str) -> None:
    line = refused(tmp_path, f"[movement]\nroot_zone_depth_m = {value}\n")
    assert line.startswith("E-SET-001 ")
    assert "'movement.root_zone_depth_m' was a setting of a former version." in line
    assert 'ground = "cracked" in [movement]' in line
    assert "\n" not in line


@pytest.mark.parametrize("value", ['"cracks"', '"Cracked"', "true", "1", '["cracked"]'])
def test_ground_is_one_of_two_words(tmp_path: Path, value: str) -> None:
    line = refused(tmp_path, f"[movement]\nground = {value}\n")
    assert "'movement.ground'" in line
    assert "'uncracked' or 'cracked'" in line
    assert accepted(tmp_path, "").movement.ground == "uncracked"
    assert accepted(tmp_path, '[movement]\nground = "cracked"\n').movement.ground == "cracked"


# ------------------------------------------------------------------------------------------------- finished runs
@pytest.mark.parametrize("depth_m", [0.0, 0.5])
def test_a_run_with_a_root_zone_is_not_used(depth_m: float) -> None:
    whole = an_area().model_dump(mode="json", exclude={"folder"})
    whole["movement"]["root_zone_depth_m"] = depth_m
    with pytest.raises(SettingsError, match="was a setting of a former version") as caught:
        settings.of_run(whole, "run of a")
    assert "E-SET-033" in str(caught.value)


def test_a_run_made_with_a_setting_that_is_refused_today_is_not_used() -> None:
    whole = an_area().model_dump(mode="json", exclude={"folder"})
    assert settings.of_run(whole, "run of a").movement == Area.model_fields["movement"].default
    whole["movement"]["load_kpa"] = [None, None]  # as a run carries what was nan
    whole["soil_settings"]["lep_cap_pct"] = -20.0
    with pytest.raises(SettingsError) as caught:
        settings.of_run(whole, "run of a")
    lines = str(caught.value).splitlines()
    assert [line[:9] for line in lines] == ["E-SET-010", "E-SET-001", "E-SET-033"]
    assert "its numbers cannot be used" in lines[-1]
