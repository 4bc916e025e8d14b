"""What a user may tune, read from one TOML file per area. Each default carries its basis.

Bases: `published` names the document, `practice` is common practice without a single source, `calibrated` was
fitted to stated behaviour (not measured), `measured` was found against field records, `judgement` is ours.
"""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from riskmap.errors import SettingsError, closest, joined


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True)


class Provenance(_Frozen):
    """Where a layer comes from; copied to the manifest as written."""

    title: str = ""
    provider: str = ""
    licence: str = ""
    credit: str = ""
    valid_date: str = ""


class LotsEntry(Provenance):
    """`[lots]`: the lot file. `columns` maps our names to the file's names."""

    path: Path
    layer: str | None = None
    crs: str | None = None  # only when the file itself has none
    columns: dict[str, str] = Field(default_factory=dict)
    duplicates: Literal["refuse", "keep"] = "keep"  # keep: each row answered on its own and reported in pairs
    corrections: Path | None = None  # CSV: lot_id, column, value, reason, date; the lot file itself stays as published


class SoilEntry(Provenance):
    """`[soil]`: one or more soil-survey downloads (zip or folder) or template databases (GeoPackage, SQLite)."""

    reader: Literal["ssurgo", "template", "key_raster"] = "ssurgo"
    path: Path | list[Path]
    raster: Path | None = None  # key_raster only: grid of map unit keys, for overviews; `path` then gives the tables
    scale: int | None = Field(default=None, ge=1000, le=250_000)  # 24000 for 1:24,000 when the download does not say


class ClimateEntry(Provenance):
    """`[climate]`: monthly rain and mean temperature."""

    reader: Literal["noaa_fixed_width", "csv"]
    path: Path | dict[str, Path]  # noaa_fixed_width: {precipitation = ..., temperature = ...}
    cells: Path | None = None  # polygons with the cell key; without them `cell` names the one cell of the area
    cells_key: str = "cell_id"
    cell: str | None = None
    latitude_deg: float | dict[str, float] | None = None  # needed when there are no cell polygons
    pet_source: str = ""  # a PET column is used only when its method stands here: thornthwaite or hamon


class DroughtEntry(Provenance):
    """`[drought]`: weekly category polygons."""

    path: Path | list[Path]
    layer: str | None = None
    date: str | None = None  # only for one file without a date inside or in its name


class IndexEntry(Provenance):
    """`[[index]]`: a grid of a standardised index, one band a month."""

    path: Path
    name: Literal["spi", "spei", "pdsi"]
    accumulation_months: int = Field(default=6, ge=1, le=48)  # PDSI is read as 9; notebooks/method.md, section 3
    first_month: str  # YYYY-MM of band 1


class LotSettings(_Frozen):
    """Cleaning of lots."""

    default_half_width_m: float = Field(default=6.0, gt=0)  # judgement: a 12 m short side
    unknown_pour_earliest: int = 1950  # judgement: slab-on-ground building became common after it; settable
    simplify_repair_warn_fraction: float = 0.01  # a repair that changes the area by more is flagged
    widest_lot_deg: float = 1.0


class SoilSettings(_Frozen):
    """From map units to profiles."""

    min_covered_pct: float = Field(default=30.0, ge=0, le=100)  # judgement: below it there is no number
    min_mapped_pct: float = Field(default=50.0, ge=0, le=100)  # judgement: half of the lot must lie on the map
    lep_cap_pct: float = 20.0  # judgement; applied after the draw
    below_profile_factor: float = 0.5  # practice: half of the deepest horizon below 2 m
    extend_to_cm: float = 200.0  # surveys stop near 2 m
    suspicious_lep_pct: float = 1.0  # below it with much clay: a known error of two Texas surveys
    suspicious_clay_pct: float = 35.0
    line_doubt: bool = True  # near a soil line the unit beyond it joins the mixture


class ClimateSettings(_Frozen):
    """Driver of suction. Draws are described in `movement`."""

    bucket_capacity_mm: float = 150.0  # measured: correlation flat over 50-250
    rain_factor: float = 0.80  # measured: bias gone at two grass sites; elsewhere untested
    index_slope: float = 0.8  # share of the monthly standard deviation per unit of the index
    equilibrium_percentile: float = 3.0  # calibrated: dishes only in very wet weather
    equilibrium_months: int = 9
    equilibrium_first_year: int = 1951
    equilibrium_last_year: int = 2020
    normal_first_year: int = 1991
    normal_last_year: int = 2020
    spin_up_years: int = 30
    index_months: int = 6
    recent_months: int = 24  # the driver level of a lot is the weakest source in its last months


class MovementSettings(_Frozen):
    """Draws of the movement core. `spread` fields set to 0 hold the parameter at its middle."""

    draws: int = Field(default=200, ge=20, le=5000)
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
    restraint_draw: tuple[float, float] = (0.5, 0.8)  # practice, from memory
    rain_factor_draw: tuple[float, float] = (0.7, 1.0)
    bucket_draw_mm: tuple[float, float] = (100.0, 200.0)
    pf_span_dry: float = 5.5
    half_width_spread: float = 0.10
    half_width_spread_unknown: float = 0.25  # judgement: wider when the slab's size is not in the lot file
    stiffness_sigma_ln: float = 0.5
    stiffness_sigma_ln_known: float = 0.35  # judgement: depth of beam known, concrete and cracking not
    spring_mn_m3: float = 2.0
    spring_sigma_ln: float = 0.4
    load_kpa: tuple[float, float] = (5.0, 7.0)
    edge_load_kn_m: tuple[float, float] = (8.0, 16.0)
    settlement_mm: tuple[float, float] = (3.0, 15.0)
    settlement_yr: float = 0.5
    # Scenario 0.5: roots hold open ground at the surface's suction down to it; edge movement about doubles (a gap in
    # the model's structure: measured damping lies between 0 and 0.6).
    root_zone_depth_m: float = Field(default=0.0, ge=0.0, le=1.0)
    sides_sd_pf: float = 0.4  # judgement: sun, shade, watering; not measured
    # Scenarios: right minus left surface suction. A leak or a large tree 1.5 pF (judgement: 1.5-2), watering held
    # above half dry 0.6 pF (judgement). Wet sides rise, dry sides sink.
    leak_pf: float = -1.5
    watering_pf: float = -0.6
    tree_pf: float = 1.5
    # Calendar months up to now of which the slab's middle deflection is kept, for the map's week slider and the strip
    # since the pour; 0 keeps none. Two years (judgement): this and last season; adds up to a fifth to a run (measured).
    history_months: int = Field(default=24, ge=0, le=120)


class Area(_Frozen):
    """One area file."""

    name: str = Field(pattern=r"^[^\x00-\x1f]{1,120}$")
    today: str | None = Field(default=None, pattern=r"^\d{4}-\d{2}$")  # month of `now`; default: newest data
    crs: str = "EPSG:5070"  # equal-area projected system for shares and distances
    folder: Path = Path(".")  # set on reading: paths are relative to the area file
    lots: LotsEntry
    soil: SoilEntry
    climate: ClimateEntry | None = None
    drought: DroughtEntry | None = None
    index: tuple[IndexEntry, ...] = ()
    lot_settings: LotSettings = LotSettings()
    soil_settings: SoilSettings = SoilSettings()
    climate_settings: ClimateSettings = ClimateSettings()
    movement: MovementSettings = MovementSettings()

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
        When the file cannot be read or a field is unknown, missing or out of range; all findings together.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path.name}: cannot be read as an area file: {error}. See layers/example/area.toml.") \
            from None
    top = content.pop("area", {})
    try:
        return Area(**{**top, **content, "folder": path.parent, **overrides})
    except ValidationError as error:
        raise SettingsError(_told(path, error)) from None


_LIST = "All are listed in layers/README.md, section Area file."


def known_keys(model: type[BaseModel] = Area) -> list[str]:
    """Return the keys that a section of the area file may have; of `Area` those of `[area]` and the sections."""
    return [name for name in model.model_fields if name != "folder"]


def models_in(kind: Any) -> list[type[BaseModel]]:
    """Return the models inside a type such as `tuple[IndexEntry, ...]` or `DroughtEntry | None`."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return [kind]
    return [model for inner in get_args(kind) for model in models_in(inner)]


def _told(path: Path, error: ValidationError) -> str:
    lines = []
    for finding in error.errors():
        place, model = _place(finding["loc"])
        lines.append(f"E-SET-001 {path.name}: '{'.'.join(place)}' {_rule(finding, place, model)}")
    return "\n".join(dict.fromkeys(lines))


def _place(loc: tuple[str | int, ...]) -> tuple[list[str], type[BaseModel]]:
    """Return where in the file a finding lies, without what the validation adds, and the model of its section."""
    place: list[str] = []
    model: type[BaseModel] = Area
    for part in loc:
        place.append(str(part))
        field = model.model_fields.get(str(part))
        if field is not None and (inner := models_in(field.annotation)):
            model = inner[0]
        elif field is not None and get_origin(field.annotation) is not dict:
            break  # the rest names kinds of a value, not keys
    return place, model


def _rule(finding: Any, place: list[str], model: type[BaseModel]) -> str:
    """Return what one finding of the validation says to a user."""
    *section, name = place or [""]
    given = finding.get("input")
    if finding["type"] == "extra_forbidden":
        known = joined(closest(name, known_keys(model)), 60)
        of = f"is not a setting of [{section[0]}]" if section else "is neither a setting of [area] nor a section"
        return f"{of}. Known ones, the closest first: {known}. {_LIST}"
    if finding["type"] == "missing":
        return f"is missing. {_LIST}"
    if name == "today":
        return 'is not a month: write YYYY-MM in quotes, as in today = "2025-10".'
    if finding["type"] in ("string_type", "path_type") and isinstance(given, int | float | date):
        zero = ", with any leading zero" if isinstance(given, int | float) else ""
        return f"is {given}, and a text is wanted: put it in quotes{zero}, as in {name} = \"{given}\"."
    return f"{finding['msg']}."
