"""What a user may tune, read from one TOML file per area. Each default states its basis.

Bases: `published` names the document, `practice` is common practice without a single source, `calibrated` was
fitted to stated behaviour (not measured), `measured` was found against field records, `judgement` is ours.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from riskmap.common import area_text, equal_area, setting_ranges, setting_words
from riskmap.common.errors import SettingsError, joined, shown

_MONTH = r"^[0-9]{4}-(0[1-9]|1[0-2])$"


class _Frozen(BaseModel):
    """A section of the area file. The allowed values of its numbers and months are in `ranges`, under `SECTION`."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)
    SECTION: ClassVar[str] = ""

    @field_validator("*", mode="before")
    @classmethod
    def _a_number_where_one_is_wanted(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse true and false where a number is expected, because they would count as 1 and 0."""
        each = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else [value]
        if info.field_name in setting_ranges.RANGES.get(cls.SECTION, {}) and any(isinstance(one, bool) for one in each):
            raise PydanticCustomError("number_type", "a number is wanted")
        return value

    @field_validator("*", mode="after")
    @classmethod
    def _allowed(cls, value: Any, info: ValidationInfo) -> Any:
        """Refuse what lies outside its range or contradicts the settings before it."""
        name = str(info.field_name)
        allowed = setting_ranges.RANGES.get(cls.SECTION, {}).get(name)
        if allowed is not None and not allowed.holds(value):
            raise PydanticCustomError(setting_words.OUTSIDE, "{said}", {"said": allowed.finding(value)})
        known = _keys(cls.SECTION, {**info.data, name: value})
        if against := setting_ranges.contradictions(f"{cls.SECTION}.{name}", known):
            raise PydanticCustomError(setting_words.AGAINST, "{said}", {"said": against})
        return value


def _keys(section: str, values: dict[str, Any]) -> dict[str, Any]:
    """Return values by `section.key`, including those of nested sections."""
    out: dict[str, Any] = {}
    for name, value in values.items():
        out |= _keys(value.SECTION, dict(value)) if isinstance(value, _Frozen) else {f"{section}.{name}": value}
    return out


class Provenance(_Frozen):
    """Where a layer comes from. It is copied to the manifest as written."""

    title: str = ""
    provider: str = ""
    licence: str = ""
    credit: str = ""
    valid_date: str = ""


class LotsEntry(Provenance):
    """`[lots]`: the lot file. `columns` maps our names to the file's names; an empty one takes no column."""

    path: Path
    layer: str | None = None
    crs: str | None = None  # only when the file itself has none
    columns: dict[str, str] = Field(default_factory=dict)
    # keep: each row is estimated separately, and duplicates are reported in pairs
    duplicates: Literal["refuse", "keep"] = "keep"
    # One column to know a lot by, such as an address: it is shown on papers and is in no number, product or comparison.
    # It is not a setting of the estimate, so no run writes its name down.
    label: str | None = Field(default=None, exclude=True)
    # CSV: lot_id, column, value, reason, date; the lot file itself stays as it was published
    corrections: Path | None = None


class SoilEntry(Provenance):
    """`[soil]`: one or more soil-survey downloads (zip or folder) or template databases (GeoPackage, SQLite)."""

    SECTION = "soil"

    reader: Literal["ssurgo", "template", "key_raster"] = "ssurgo"
    path: Path | list[Path]
    raster: Path | None = None  # key_raster only: a grid of map unit keys, for overviews; `path` then gives the tables
    scale: int | None = None  # 24000 for 1:24,000, when the download does not say


class ClimateEntry(Provenance):
    """`[climate]`: monthly or daily rain and mean temperature."""

    SECTION = "climate"

    reader: Literal["noaa_fixed_width", "csv", "daily"]
    path: Path | dict[str, Path]  # noaa_fixed_width: {precipitation = ..., temperature = ...}
    cells: Path | None = None  # polygons with the cell key; without them `cell` names the one cell of the area
    cells_key: str = "cell_id"
    cell: str | None = None
    latitude_deg: float | dict[str, float] | None = None  # needed when there are no cell polygons
    pet_source: str = ""  # a PET column is used only when its method is given here: thornthwaite or hamon
    # daily only: the monthly record of the same place, for the months before, after and in the gaps of the days
    monthly_path: Path | dict[str, Path] | None = None
    monthly_reader: Literal["noaa_fixed_width", "csv"] = "csv"
    monthly_cell: str | None = None  # its cell, where it has another name than the daily one


class DroughtEntry(Provenance):
    """`[drought]`: weekly category polygons."""

    path: Path | list[Path]
    layer: str | None = None
    date: str | None = None  # only for a single file that has no date inside or in its name


class IndexEntry(Provenance):
    """`[[index]]`: a grid of a standardised index, one band per month."""

    SECTION = "index"

    path: Path
    name: Literal["spi", "spei", "pdsi"]
    accumulation_months: int = 6  # PDSI is read as 9; notebooks/method.md, section 3
    first_month: str = Field(pattern=_MONTH)  # YYYY-MM of band 1


class ShapesEntry(Provenance):
    """A file of shapes near the lots, in any format of a lot file."""

    path: Path
    layer: str | None = None
    crs: str | None = None  # only when the file itself has none


class BuildingsEntry(ShapesEntry):
    """`[buildings]`: outlines of buildings, which give the size of a slab where the lot file has none."""


class ContextEntry(ShapesEntry):
    """`[[context]]`: lines, areas or points that are drawn under the lots; no estimate depends on them."""

    name: str = Field(pattern=r"^[^\x00-\x1f]{1,60}$")
    label: str | None = None  # column whose texts are written next to the shapes


class LotSettings(_Frozen):
    """Cleaning of lots."""

    SECTION = "lot_settings"

    default_half_width_m: float = 6.0  # judgement: a 12 m short side
    unknown_pour_earliest: int = 1950  # judgement: slab-on-ground building became common after this year; it can be set
    simplify_repair_warn_fraction: float = 0.01  # a repair that changes the area by more than this is flagged
    widest_lot_deg: float = 1.0


class SoilSettings(_Frozen):
    """From map units to profiles."""

    SECTION = "soil_settings"

    min_covered_pct: float = 30.0  # judgement: below it there is no estimate
    min_mapped_pct: float = 50.0  # judgement: half of the lot must lie on the map
    lep_cap_pct: float = 20.0  # judgement; applied after sampling
    below_profile_factor: float = 0.5  # practice: half of the deepest horizon below 2 m
    extend_to_cm: float = 200.0  # surveys stop near 2 m
    suspicious_lep_pct: float = 1.0  # with less than this and much clay: a known error of two Texas surveys
    suspicious_clay_pct: float = 35.0
    line_doubt: bool = True  # this near to a soil boundary, the unit beyond it joins the mixture


class ClimateSettings(_Frozen):
    """Driver of suction. How the model runs vary it is described in `movement`."""

    SECTION = "climate_settings"

    # Day steps, the monthly bucket, or every second model run by each. Day steps follow measured wetness better, but
    # their own spread covers 25 % of the domes of eight measured years; half of each covers 62 % (notebooks/method.md,
    # section 4).
    driver: Literal["both", "day", "month"] = "both"
    bucket_capacity_mm: float = 150.0  # measured: the correlation is flat over 50-250
    rain_factor: float = 0.80  # measured: no bias at two grass sites; untested elsewhere; for the monthly bucket
    no_stress_share: float = 0.6  # from memory: FAO-56; this and the next three are for the day steps
    curve_number: float = 74.0  # published: Technical Release 55, open space, good cover, group C
    low_filling: float = 0.05  # measured: in-sample for size, one probe
    high_filling: float = 0.95  # measured: the same
    index_slope: float = 0.8  # share of the monthly standard deviation per unit of the index
    equilibrium_percentile: float = 3.0  # calibrated: dishes only in very wet weather
    equilibrium_months: int = 9
    equilibrium_first_year: int = 1951
    equilibrium_last_year: int = 2020
    normal_first_year: int = 1991
    normal_last_year: int = 2020
    spin_up_years: int = 30
    index_months: int = 6
    recent_months: int = 24  # the driver level of a lot is the least reliable source in this many last months


class MovementSettings(_Frozen):
    """How the model runs of the movement core vary. A `spread` field of 0 keeps its parameter at the median."""

    SECTION = "movement"

    draws: int = 200
    seed: int = 20240501
    diffusivity_m2_per_yr: float = 1.85  # calibrated: 6-7 years and 1-2 m
    diffusivity_sigma_ln: float = 0.8
    diffusivity_clip: tuple[float, float] = (0.1, 10.0)
    active_depth_m: float = 3.5
    active_depth_draw_m: tuple[float, float] = (3.0, 4.0)
    wet_limit_pf: float = 2.9  # practice
    wet_limit_sd_pf: float = 0.15
    dry_limit_pf: float = 4.3  # practice
    dry_limit_sd_pf: float = 0.20
    guard_pf: tuple[float, float] = (2.5, 4.8)
    equilibrium_common_sd_pf: float = 0.13
    equilibrium_lot_sd_pf: float = 0.08
    # Practice, from memory: 0.5 to 0.8. Lower since a clay soil measured 0.42 to 0.45, but not lower than 0.4 since a
    # bench mark in deep clay moved more than ours (notebooks/evidence.md, 19 and 20).
    restraint_draw: tuple[float, float] = (0.4, 0.8)
    rain_factor_draw: tuple[float, float] = (0.7, 1.0)
    bucket_draw_mm: tuple[float, float] = (100.0, 200.0)
    no_stress_share_draw: tuple[float, float] = (0.4, 0.7)
    curve_number_draw: tuple[float, float] = (70.0, 82.0)
    low_filling_draw: tuple[float, float] = (0.0, 0.1)
    high_filling_draw: tuple[float, float] = (0.9, 1.0)
    pf_span_dry: float = 5.5
    half_width_spread: float = 0.10
    half_width_spread_footprint: float = 0.15  # judgement: outlines follow roofs, and some cover several slabs
    half_width_spread_unknown: float = 0.25  # judgement: wider when the slab's size is not in the lot file
    stiffness_mn_m2: float = 20.0  # judgement: median where the rib depth is not given
    stiffness_sigma_ln: float = 0.75  # judgement: from plain slabs of 0.19 m to deep ribs
    stiffness_sigma_ln_known: float = 0.45  # judgement: rib depth given; spacing, width and age of concrete not
    # Ribs of 650 mm and more that are not known to be prestressed are assumed to crack (judgement, from a computed
    # cracking beam).
    deep_rib_factor: float = 0.74
    deep_rib_sigma_ln: float = 0.5
    spring_mn_m3: float = 2.0
    spring_sigma_ln: float = 0.4
    load_kpa: tuple[float, float] = (5.0, 7.0)
    edge_load_kn_m: tuple[float, float] = (8.0, 16.0)
    settlement_mm: tuple[float, float] = (3.0, 15.0)
    settlement_yr: float = 0.5
    # Scenario "cracked": open ground conducts better in its first metre, and less of its strain is vertical there. It
    # is off, because eight years of soil moisture at one site do not support it and one road cannot decide
    # (notebooks/method.md, 5.4).
    ground: Literal["uncracked", "cracked"] = "uncracked"
    sides_sd_pf: float = 0.4  # judgement: sun, shade, watering; not measured
    # Scenarios: surface suction on the right minus that on the left. A leak or a large tree is 1.5 pF (judgement:
    # 1.5-2), watering held above half dry 0.6 pF (judgement). Wet sides rise, dry sides sink.
    leak_pf: float = -1.5
    watering_pf: float = -0.6
    tree_pf: float = 1.5
    # Number of past calendar months for which the slab's median deflection is recorded, for the map's week slider and
    # the strip since the pour; 0 records none. Two years (judgement): this season and the last one. It adds up to a
    # fifth to a run (measured).
    history_months: int = 24


class Area(_Frozen):
    """One area file."""

    SECTION = "area"

    name: str = Field(pattern=r"^[^\x00-\x1f]{1,120}$")
    today: str | None = Field(default=None, pattern=_MONTH)  # the present month; default: that of the newest data
    crs: str = "EPSG:5070"  # equal-area projected system in metres for shares and distances; `equal_area` checks it
    folder: Path = Path(".")  # set on reading, because paths are relative to the area file
    lots: LotsEntry
    soil: SoilEntry
    climate: ClimateEntry | None = None
    drought: DroughtEntry | None = None
    index: tuple[IndexEntry, ...] = ()
    buildings: BuildingsEntry | None = None
    context: tuple[ContextEntry, ...] = ()
    lot_settings: LotSettings = LotSettings()
    soil_settings: SoilSettings = SoilSettings()
    climate_settings: ClimateSettings = ClimateSettings()
    movement: MovementSettings = MovementSettings()

    @field_validator("crs", mode="after")
    @classmethod
    def _can_measure_areas(cls, value: str) -> str:
        code, said = equal_area.refusal(value)
        if code:
            raise PydanticCustomError(setting_words.SYSTEM, "{said}", {"code": code, "said": said})
        return value

    def resolve(self, path: Path) -> Path:
        """Return a path of the area file as a path that can be opened."""
        return path if path.is_absolute() else self.folder / path


def load(path: Path, **overrides: Any) -> Area:
    """Read an area file.

    Parameters
    ----------
    path : Path
        The TOML file.
    **overrides
        Top-level fields that replace those of the file.

    Raises
    ------
    SettingsError
        When the file cannot be read, or a field is unknown, missing or out of its range, or two of them contradict each
        other. The error lists all findings.
    """
    content = area_text.parsed(_bytes(path), path.name)
    top = content.pop("area", {})
    if not isinstance(top, dict):
        raise SettingsError(f"E-SET-001 {path.name}: 'area' is a section: write [area], with its keys below.")
    if twice := [f"'{shown(name)}'" for name in top if name in content]:
        raise SettingsError(f"E-SET-012 {path.name}: {joined(twice)} is given twice, in [area] and above it: keep one.")
    return _area({**top, **content, **overrides}, path.name, path.parent)


def of_run(content: dict[str, Any], run: str) -> Area:
    """Return the area of a finished run from its recorded settings; `run` names it in messages.

    Raises
    ------
    SettingsError
        When they are no longer accepted, because the run was made with a setting that does not belong in a model.
    """
    run = shown(run)
    try:
        return _area(content, run, Path())
    except SettingsError as error:
        raise SettingsError(f"{error}\nE-SET-033 {run}: this run was made with settings that are refused today; its "
                            "numbers cannot be used. Run the estimate again.") from None


def against_today(area: Area, today: int) -> list[str]:
    """Return a line for each setting that cannot be meant with this present month (12 * year + month - 1).

    Years that the area file does not give are not checked: a run for a month long ago keeps the usual periods, and the
    stages use the part of them that exists.
    """
    now = f"{today // 12}-{today % 12 + 1:02d}"
    earliest = area.lot_settings.unknown_pour_earliest
    lines = [] if 12 * earliest < today else [
        f"'lot_settings.unknown_pour_earliest' is {earliest}, and the present month is {now}: no slab of unknown age "
        "could have been poured. Write the year from which slabs here may date."]
    climate = area.climate_settings
    for name, least in (("equilibrium", setting_ranges.RULE_YEARS), ("normal", setting_ranges.NORMAL_YEARS)):
        keys = (f"{name}_first_year", f"{name}_last_year")
        first, last = (getattr(climate, key) for key in keys)
        if climate.model_fields_set & set(keys) and min(12 * (last + 1), today + 1) - 12 * first < 12 * least:
            lines.append(f"'climate_settings.{keys[0]}' is {first} and '{keys[1]}' is {last}, and the present month is "
                         f"{now}: at least {least} of these years must be over.")
    return [f"E-SET-013 area file: {line}" for line in lines]


def _bytes(path: Path) -> bytes:
    """Return the content of an area file; SettingsError when it is not a plain file of a usual size."""
    def no(what: str) -> SettingsError:
        return SettingsError(f"E-SET-030 {path.name}: cannot be read as an area file: {what}. "
                             "See layers/example/area.toml.")

    try:
        if path.is_dir():
            inside = joined(sorted(one.name for one in path.glob("*.toml")), 4)
            raise no("it is a folder, and one TOML file is wanted" + (
                f"; in it: {inside}" if inside else f"; `riskmap new {path.as_posix()}` writes one from its files"))
        if not path.exists():
            raise no("there is no such file")
        if not path.is_file():
            raise no("it is a device or a pipe, and a plain file is wanted")
        if path.stat().st_size > area_text.LARGEST_BYTES:
            raise no(f"it has {path.stat().st_size:,} bytes, and an area file has a few thousand")
        return path.read_bytes()
    except OSError as error:
        raise no(error.strerror or type(error).__name__) from None


_SHOWN = 40  # number of findings of one area file that are listed


def _area(values: dict[str, Any], file: str, folder: Path) -> Area:
    """Return the area with these values, or every finding in them."""
    given = {name: value for name, value in values.items() if name != "folder"}  # this value is not for the user to set
    findings: list[Any] = [{"type": "extra_forbidden", "loc": ("folder",)}] if "folder" in values else []
    try:
        area = Area(**{**given, "folder": folder})
        if not findings:
            return area
    except ValidationError as error:
        findings += error.errors(include_url=False)
    lines = [line for finding in findings for line in setting_words.lines_of(file, finding, Area)]
    # contradictions that other findings hide: without the values those are about, the contradictions of the rest appear
    besides = {name for finding in findings for name in _names(finding)}
    try:
        Area(**{**_without(given, besides), "folder": folder})
    except ValidationError as error:
        lines += [line for finding in error.errors(include_url=False) if finding["type"] == setting_words.AGAINST
                  for line in setting_words.lines_of(file, finding, Area, besides)]
    lines = list(dict.fromkeys(lines))
    more = [f"... and {len(lines) - _SHOWN:,} more findings in {file}."] if len(lines) > _SHOWN else []
    raise SettingsError("\n".join(lines[:_SHOWN] + more))


def _names(finding: Any) -> set[str]:
    """Return the settings, as `section.key`, that a finding is about."""
    if finding["type"] == setting_words.AGAINST:
        return {name for names, _ in finding["ctx"]["said"] for name in names}
    return {".".join(map(str, finding["loc"][:2]))}


def _without(values: dict[str, Any], names: set[str]) -> dict[str, Any]:
    """Return values without some settings, which are given as `section.key`."""
    return {section: {key: one for key, one in value.items() if f"{section}.{key}" not in names}
            if isinstance(value, dict) else value for section, value in values.items()}


def known_keys(model: type[BaseModel] = Area) -> list[str]:
    """Return the keys that a section of the area file may have; for `Area`, those of `[area]` and the sections."""
    return setting_words.known_keys(model)
