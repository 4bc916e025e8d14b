"""What is said about an area file that cannot be used, and that the list of its keys is complete."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, get_args

import pytest

from riskmap.common import setting_ranges, settings
from riskmap.common.errors import SettingsError
from riskmap.common.setting_words import models_in
from riskmap.common.settings import Area, known_keys

ROOT = Path(__file__).resolve().parents[3]
TUNED = ("lot_settings", "soil_settings", "climate_settings", "movement")  # their lists have a column for the range


def told(folder: Path, *, area: str = "", lots: str = "", climate: str = "", more: str = "") -> str:
    text = (f'[area]\nname = "a"\n{area}\n[lots]\npath = "l.csv"\n{lots}\n[soil]\npath = "s.zip"\n'
            f'[climate]\nreader = "csv"\npath = "c.csv"\n{climate}\n{more}\n')
    (folder / "area.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        settings.load(folder / "area.toml")
    return str(caught.value)


def test_a_number_where_a_text_is_wanted_is_to_be_quoted(tmp_path: Path) -> None:
    assert told(tmp_path, climate="cell = 309") == (
        "E-SET-001 area.toml: 'climate.cell' is 309, and a text is wanted: put it in quotes, with any leading zero, "
        'as in cell = "309".')
    assert 'as in valid_date = "2025-09-01".' in told(tmp_path, lots="valid_date = 2025-09-01")
    assert 'as in lot_id = "5".' in told(tmp_path, more="[lots.columns]\nlot_id = 5")
    assert 'as in today = "2025-10".' in told(tmp_path, area='today = "2025-1"')


def test_two_index_layers_are_no_pair_of_numbers() -> None:
    assert len(settings.load(ROOT / "layers" / "example" / "area.toml").index) == 2


@pytest.mark.parametrize(("where", "start"), [
    ({"lots": "colums = {}"}, "'lots.colums' is not a setting of [lots]. {known} columns, "),
    ({"more": "[movement]\ndraw = 3"}, "'movement.draw' is not a setting of [movement]. {known} draws, "),
    ({"more": '[[index]]\nname = "spi"\npath = "x"\nfirst_month = "2025-01"\naccumulation = 3'},
     "'index.0.accumulation' is not a setting of [index]. {known} accumulation_months, "),
    ({"area": "tody = 1"}, "'tody' is neither a setting of [area] nor a section. {known} today, "),
    ({"more": "[lots_settings]"}, "'lots_settings' is neither a setting of [area] nor a section. {known} lot_settings"),
])
def test_an_unknown_key_is_told_with_the_known_ones(where: dict[str, str], start: str, tmp_path: Path) -> None:
    line = told(tmp_path, **where)
    assert line.startswith("E-SET-001 area.toml: " + start.replace("{known}", "Known ones, the closest first:"))
    assert line.endswith("All are listed in layers/README.md, section Area file.")


def test_no_inner_names_of_the_validation_are_shown(tmp_path: Path) -> None:
    text = told(tmp_path, climate='cells = 3\nlatitude_deg = "x"')
    assert "dict[" not in text
    assert "'climate.cells' is 3" in text
    assert "'climate.latitude_deg'" in text


def default_of(field: Any) -> str:
    """Return a default as the list writes it."""
    if field.is_required():
        return "needed"
    value = field.get_default(call_default_factory=True)
    if value is None or value in ("", {}):
        return "none"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{list(value) if isinstance(value, tuple) else value}`"


def range_of(section: str, key: str) -> str:
    """Return a range as the list writes it."""
    allowed = setting_ranges.RANGES.get(section, {}).get(key)
    field = models_in(Area.model_fields[section].annotation)[0].model_fields[key]
    if choices := [f'`"{one}"`' for one in get_args(field.annotation) if isinstance(one, str)]:
        return f"{', '.join(choices[:-1])} or {choices[-1]}"
    return allowed.text if allowed else "true or false"


def test_the_list_of_keys_is_that_of_the_settings_with_their_defaults_and_ranges() -> None:
    text = (ROOT / "layers" / "README.md").read_text(encoding="utf-8").split("\n## Area file\n")[1]
    listed, listed_ranges = {}, {}
    for part in re.split(r"\n### ", text)[1:]:
        rows = [re.fullmatch(r"\| `(\w+)` \| (.+?) \| (.+) \|", line) for line in part.splitlines()]
        section = part.splitlines()[0].strip("[]")
        listed[section] = {row[1]: row[2] for row in rows if row}
        with_ranges = "| key | default | range | meaning |" in part
        listed_ranges[section] = {row[1]: row[3].split(" | ")[0] if with_ranges else row[3] for row in rows if row}
    models = {name: models_in(Area.model_fields[name].annotation) for name in known_keys()}
    wanted = {"area": {name: default_of(Area.model_fields[name]) for name, found in models.items() if not found}}
    for name, found in models.items():
        if found:
            wanted[name] = {key: default_of(found[0].model_fields[key]) for key in known_keys(found[0])}
    assert listed == wanted
    for section in TUNED:
        assert listed_ranges[section] == {key: range_of(section, key) for key in wanted[section]}
    for section in set(setting_ranges.RANGES) - set(TUNED):
        for key, allowed in setting_ranges.RANGES[section].items():
            assert allowed.text in listed_ranges[section][key], (section, key)
