"""The file of a calibration: plain JSON. Every value is checked on reading. Nothing in it is ever run.

The whole file is refused when anything in it is unknown, missing, of another type, not finite or beyond its limits.
"""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from riskmap.common.errors import LayerError, shown

FORMAT = "riskmap-calibration"
VERSION = 2
MOST_BYTES = 1024**2  # 5,000 weights are 120 kB
MOST_DEPTH = 6
MOST_DRAWS = 5000
MOST_SOURCES = 200
_DIGITS = 30
TEXT = r"^([0-9A-Za-z][0-9A-Za-z .,:;()%/+-]*)?$"  # words and figures only: no quote, bracket or sign of any code

Text = Annotated[str, Field(max_length=300, pattern=TEXT)]
Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9_. -]*$")]
Month = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}$")]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0, le=1_000_000)]
Share = Annotated[float, Field(ge=0, le=1)]
Millimetres = Annotated[float, Field(ge=-10_000, le=10_000)]
Size = Annotated[float, Field(ge=0, le=1e6)]
Weight = Annotated[float, Field(ge=0, le=1)]
Ratio = Annotated[float, Field(ge=-1000, le=1000)]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class RunEntry(_Strict):
    """The run that was compared."""

    area: Name
    today: Month
    code: Text
    settings_sha256: Digest


class Counts(_Strict):
    """Rows of the table and what became of them."""

    rows: Count
    compared: Count
    changes: Count
    singles: Count
    quarantined: Count
    not_used: Count
    houses: Count
    blocks: Count


class LayerEntry(_Strict):
    """One layer as it was tested; fields are None where it could not be tested."""

    on: bool
    blocked_error_mm: Size | None
    random_error_mm: Size | None
    gain: Annotated[float, Field(ge=-1e9, le=1e9)] | None
    gain_sd: Annotated[float, Field(ge=0, le=1e9)] | None
    coverage: Share | None
    coverage_scaled: Share | None
    range_scale: Annotated[float, Field(ge=0.1, le=10)]


class ParameterEntry(_Strict):
    """A common parameter before and after: 10th, 50th, 90th percentile."""

    name: Name
    unit: Text
    before: Annotated[list[Millimetres], Field(min_length=3, max_length=3)]
    after: Annotated[list[Millimetres], Field(min_length=3, max_length=3)]


class WeightsEntry(_Strict):
    """The result of the physical layer."""

    weight: Annotated[list[Weight], Field(max_length=MOST_DRAWS)]
    effective_sample_size: Size
    effective_sample_size_untempered: Size
    exponent: Share
    discrepancy_share: Annotated[float, Field(ge=0, le=2)]
    near_share: Share


class SourceEntry(_Strict):
    """What happens when one source is left out."""

    name: Name
    rows: Count
    moves_mm: Size
    moves_share_of_range: Size
    offset_sd: Annotated[float, Field(ge=-1e6, le=1e6)]
    gains_without: bool | None


class FactorEntry(_Strict):
    """By what factor the surveyed houses moved more than modelled, with its 80 % range (`factors.Factor`)."""

    of: Literal["bending", "change", "bending_from_changes"]
    rows: Count
    factor: Ratio
    low: Ratio
    high: Ratio
    calibrated: Ratio


class RefusalEntry(_Strict):
    """Why a layer is off."""

    code: Annotated[str, Field(pattern=r"^E-CAL-[0-9]{3}$")]
    layer: Literal["physical", "statistical"]
    text: Text


class OutlierEntry(_Strict):
    """A row that was set aside: its number in the table and its robust z."""

    row: Count
    robust_z: Annotated[float, Field(ge=-1e6, le=1e6)]


class Model(_Strict):
    """A calibration."""

    format: Literal["riskmap-calibration"] = "riskmap-calibration"
    version: Literal[2] = 2
    riskmap: Name
    run: RunEntry
    correlation_range_m: Annotated[float, Field(gt=0, le=1e6)]
    counts: Counts
    uncalibrated_error_mm: Size | None
    constant_error_mm: Size | None
    coverage_uncalibrated: Share | None
    physical: LayerEntry
    weights: WeightsEntry
    parameters: Annotated[list[ParameterEntry], Field(max_length=50)]
    statistical: LayerEntry
    terms: Annotated[list[Name], Field(max_length=20)]
    coefficients_mm: Annotated[list[Millimetres], Field(max_length=20)]
    penalty: Size
    factors: Annotated[list[FactorEntry], Field(max_length=3)]
    sources: Annotated[list[SourceEntry], Field(max_length=MOST_SOURCES)]
    quarantined: Annotated[list[OutlierEntry], Field(max_length=5000)]
    refused: Annotated[list[RefusalEntry], Field(max_length=20)]

    @model_validator(mode="after")
    def _together(self) -> Model:
        from riskmap.answers.calibration import fitting, predict, statistical

        if self.statistical.on and not self.physical.on:
            raise ValueError("the statistical layer builds on the physical one")
        if self.physical.on and any(r.layer == "physical" for r in self.refused):
            raise ValueError("a layer is on and refused at once")
        if self.physical.on and (self.counts.houses < fitting.FEWEST_HOUSES
                                 or self.counts.blocks < fitting.FEWEST_BLOCKS):
            raise ValueError("a layer is on with too few houses or blocks")
        if self.physical.on != bool(self.weights.weight):
            raise ValueError("weights belong to a physical layer that is on")
        if self.weights.weight:
            _weights_agree(self.weights, predict.FEWEST_DRAWS)
        if self.terms != list(statistical.TERMS) and (self.terms or self.statistical.on):
            raise ValueError("terms of the statistical layer are unknown")
        if any(not f.low <= f.factor <= f.high for f in self.factors):
            raise ValueError("a factor lies outside its range")
        if len(self.terms) != len(self.coefficients_mm):
            raise ValueError("terms and coefficients differ in number")
        return self


def _weights_agree(weights: WeightsEntry, fewest: int) -> None:
    if len(weights.weight) < fewest:
        raise ValueError("there are too few weights")
    if abs(math.fsum(weights.weight) - 1) > 1e-6:
        raise ValueError("weights do not add up to 1")
    if abs(math.fsum(w * w for w in weights.weight) * weights.effective_sample_size - 1) > 1e-3:
        raise ValueError("weights and their effective sample size do not agree")


def text_of(model: Model) -> str:
    """Return the file's content."""
    return json.dumps(model.model_dump(), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def read(path: Path) -> Model:
    """Read a calibration file.

    Raises
    ------
    LayerError
        When it is not a calibration file of this version. The error lists what was found, and nothing of the file is
        used.
    """
    name = path.name
    if not path.is_file():
        raise LayerError(f"E-CAL-200 {name}: there is no such file. Name a calibration.json of `riskmap calibrate`.")
    with path.open("rb") as stream:
        raw = stream.read(MOST_BYTES + 1)
    if len(raw) > MOST_BYTES:
        raise LayerError(f"E-CAL-201 {name}: more than {MOST_BYTES:,} bytes; a calibration is far smaller.")
    return parse(raw, name)


def parse(raw: bytes, name: str) -> Model:
    """Return the calibration of a file's bytes; it raises the same errors as `read`."""
    try:
        text = raw.decode("utf-8")
        _shallow(text)
        content = json.loads(text, parse_constant=_refused, parse_int=_whole, object_pairs_hook=_once)
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise LayerError(f"E-CAL-202 {name}: not a plain JSON file ({shown(error)}). Use the file as `riskmap "
                         "calibrate` wrote it.") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise LayerError(f"E-CAL-203 {name}: not a calibration file. Use calibration.json of `riskmap calibrate`.")
    version = content.get("version")
    if version != VERSION or isinstance(version, bool):
        raise LayerError(f"E-CAL-204 {name}: written in version {shown(version)}, this program reads {VERSION}. "
                         "Calibrate again.")
    try:
        return Model.model_validate(content)
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, e['loc'])) or 'file'}: {e['msg']}"
                  for e in error.errors(include_input=False)[:3]]
        raise LayerError(f"E-CAL-205 {name}: {len(error.errors())} values are not as they must be: "
                         f"{shown_all(faults)}. Nothing of it is used; calibrate again.") from None


def shown_all(texts: list[str]) -> str:
    """Return the texts of a validation error, shortened and with control characters written out."""
    return "; ".join(shown(part) if len(part) < 40 else f"{shown(part[:39])}{shown(part[39:78])}" for part in texts)


def _refused(word: str) -> Any:
    raise ValueError(f"{word} is not a number")


def _whole(digits: str) -> int:
    if len(digits) > _DIGITS:
        raise ValueError("a number of more digits than any value here has")
    return int(digits)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out = dict(pairs)
    if len(out) != len(pairs):
        raise ValueError("a key appears twice")
    return out


def _shallow(text: str) -> None:
    """Refuse deep nesting before the file is parsed; brackets inside texts do not count.

    It makes one pass, whatever the text.
    """
    depth, inside = 0, False
    for match in re.finditer(r'\\.|["\[\]{}]', text, re.DOTALL):
        mark = match.group()
        if mark == '"':
            inside = not inside
        elif not inside and len(mark) == 1:
            depth += 1 if mark in "[{" else -1
            if depth > MOST_DEPTH:
                raise ValueError("nested more deeply than a calibration is")
