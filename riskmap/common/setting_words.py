"""The messages about the values of an area file: one line for each finding of the validation."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import Any, get_args, get_origin

from pydantic import BaseModel

from riskmap.common import setting_ranges
from riskmap.common.errors import closest, joined, shown

# kinds of finding that `settings` adds to those of the validation; their context has the details
OUTSIDE, AGAINST, SYSTEM = "outside_its_range", "against_another_setting", "system_without_areas"
_LIST = "All are listed in layers/README.md, section Area file."
FORMER = {  # settings of former versions, as section.key, and what to do instead
    "movement.root_zone_depth_m": 'Remove it. Ground that answers to the weather at depth is ground = "cracked" in '
                                  "[movement].",
}


def known_keys(model: type[BaseModel]) -> list[str]:
    """Return the keys that a section of the area file may have; `folder` is the program's own."""
    return [name for name in model.model_fields if name != "folder"]


def models_in(kind: Any) -> list[type[BaseModel]]:
    """Return the models inside a type such as `tuple[IndexEntry, ...]` or `DroughtEntry | None`."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return [kind]
    return [model for inner in get_args(kind) for model in models_in(inner)]


def lines_of(file: str, finding: Any, whole: type[BaseModel], besides: Collection[str] = ()) -> list[str]:
    """Return the lines of one finding of the validation.

    Parameters
    ----------
    file : str
        Name of the area file.
    finding : dict
        One entry of `ValidationError.errors`.
    whole : type
        Model of the area file.
    besides : collection of str
        Contradictions that involve one of these settings (`section.key`) are left out.
    """
    place, model = _place(finding["loc"], whole)
    here = f"{file}: '{shown('.'.join(place))}'"
    said = finding.get("ctx", {}).get("said")
    if finding["type"] == OUTSIDE:
        return [f"E-SET-010 {here} {said}"]
    if finding["type"] == SYSTEM:
        return [f"{finding['ctx']['code']} {here} {said}"]
    if finding["type"] == AGAINST:
        return [f"E-SET-011 {file}: {line}" for names, line in said if not set(names) & set(besides)]
    return [f"E-SET-001 {here} {_rule(finding, place, model)}"]


def _place(loc: tuple[str | int, ...], model: type[BaseModel]) -> tuple[list[str], type[BaseModel]]:
    """Return where in the file a finding lies, without what the validation adds, and the model of its section."""
    place: list[str] = []
    for part in loc:
        place.append(str(part))
        field = model.model_fields.get(str(part))
        if field is not None and (inner := models_in(field.annotation)):
            model = inner[0]
        elif field is not None and get_origin(field.annotation) is not dict:
            break  # the rest names types of a value, not keys
    return place, model


def _rule(finding: Any, place: list[str], model: type[BaseModel]) -> str:
    """Return what one finding of the validation says to a user."""
    *section, name = place or [""]
    given = finding.get("input")
    if finding["type"] == "extra_forbidden" and (instead := FORMER.get(".".join(place))):
        return f"was a setting of a former version. {instead}"
    if finding["type"] == "extra_forbidden":
        known = joined(closest(name, known_keys(model)), 60)
        of = f"is not a setting of [{section[0]}]" if section else "is neither a setting of [area] nor a section"
        return f"{of}. Known ones, the closest first: {known}. {_LIST}"
    field = model.model_fields.get(name)
    if field is not None and get_origin(field.annotation) is tuple and not models_in(field.annotation):
        return f"must be two numbers in brackets, as in {name} = {setting_ranges.shown_value(field.default)}."
    if finding["type"] == "missing":
        return f"is missing. {_LIST}"
    if name in ("today", "first_month"):
        return f'is not a month: write YYYY-MM in quotes, as in {name} = "2025-10".'
    if finding["type"] in ("string_type", "path_type") and isinstance(given, int | float | date):
        zero = ", with any leading zero" if isinstance(given, int | float) else ""
        return f"is {shown(given)}, and a text is wanted: put it in quotes{zero}, as in {name} = \"{shown(given)}\"."
    if finding["type"] == "string_pattern_mismatch":
        return "must have 1 to 120 characters, none of them a control character."
    if finding["type"].startswith(("int_", "float_", "number_")):
        wanted = "a whole number" if finding["type"].startswith("int_") else "a number"
        value = setting_ranges.shown_value(given) if isinstance(given, str | int | float) else shown(given)
        return f"is {value}, and {wanted} is wanted, without quotes or a unit."
    return f"{finding['msg']}."
