"""Which column of a lot file is which, by its name and by its values together.

The id is the column whose values are unique and present nearly everywhere; ties go to the name. Year built, foundation,
land use, slab and beam go by the names in `assumptions.LOOKS_LIKE`, and only where the values are what the name says.
Columns about people never come here: `lots_columns.every_column` leaves them out.
"""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from riskmap.common import units
from riskmap.common.errors import shown
from riskmap.layers.lots_columns import EFFECTIVE_YEAR, KNOWN, PLACE_COLUMNS, is_personal
from riskmap.lots import assumptions, foundation, pour_date, slab
from riskmap.run.new_area.guesses import Guess

SURE_ID, SURE_VALUES = 0.95, 0.90  # judgement: least shares with which nobody has to look
LEAST_ID = 0.5  # judgement: below it a column identifies something else than a lot, such as a street
EARLIEST_YEAR = 1800  # judgement: no house on a slab is older

# Names of ids, small letters and digits only: the whole name, the surest first; then what a name may begin or end with
# (judgement: usual spellings of county files). Row numbers of an export are renewed with it, so they come last.
_ID_NAMES = ("lotid", "parcelid", "parcelno", "parcelnum", "parcelnumber", "parcelnb", "parcel", "parcelident", "apn",
             "ain", "pin", "pinnum", "pid", "parid", "parno", "parcno", "gispin", "gpin", "taxid", "taxparcel",
             "taxlot", "propid", "propertyid", "propnumber", "geoid", "quickrefid", "folio", "strap", "acct", "account",
             "accountno", "acctno", "acctnum", "accountnum", "accountnumber", "mapblklot", "sbl", "lotno", "lotnumber")
_ID_PARTS = ("parcel", "apn", "taxlot", "propid", "account", "acct", "folio")
_ROW_NUMBERS = ("objectid", "objectid1", "fid", "fid1", "ogcfid", "gid", "rowid", "rownum", "recno", "index", "id0")
_NO_ID = re.compile(r"addr|situs|street|city|zip|legal|area|acre|sqft|shape|leng|perim|date|year|yr(?![a-z])|value|"
                    r"price|amount|descr|name|phone|mail|lat$|lon$|long$|wkt|geom|deed|book|page")
_NOT_BUILT = re.compile(r"area|sq|acre|cost|val|price|remod|renov|rebuil|adj|garage|pool|roof|tax|sale|sold|assess|"
                        r"apprais|deed|builtin|builder|builtup|perm|class|code|type|style|desc|source|count|num")
_AREA_WORDS = re.compile(r"area|sq|acre|footprint|sf(?![a-z])|gross|living")
_STREET = re.compile(r"\d+\s+(?:[NSEW]\.?\s+)?\w.*\s(?:st|street|ave?|avenue|rd|road|dr|drive|ln|lane|ct|court|blvd|"
                     r"way|pl|place|cir|circle|hwy|trl|trail|loop|pkwy|ter|cv|cove)\.?(?:\s.*)?", re.IGNORECASE)
_LONGEST = 80  # characters of a value that are looked at; no id and no address is longer (judgement)
_UNIT = re.compile(r"[\W_](ft|feet|foot|m|meters?|metres?|in|inch|inches|mm)$", re.IGNORECASE)
_UNITS = {"ft": "ft", "feet": "ft", "foot": "ft", "m": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m",
          "in": "in", "inch": "in", "inches": "in", "mm": "mm"}
_SIZES = (("slab_width", "slab_width_ft", ("m", "ft")), ("slab_length", "slab_length_ft", ("m", "ft")),
          ("beam_depth", "beam_depth_in", ("mm", "in")))


@dataclass(frozen=True)
class Columns:
    """What the columns of a file of lots were taken for.

    Attributes
    ----------
    guesses : list of Guess
        One per column of ours, those not taken included.
    id_share : float
        Share of the rows in which the id is present and unique; 0 without an id.
    id_named : bool
        Whether the id goes by a name of an id.
    signals : int
        How many columns speak of a house: year built, foundation, slab, beam.
    """

    guesses: list[Guess]
    id_share: float
    id_named: bool
    signals: int

    @property
    def taken(self) -> dict[str, str]:
        """Our column -> the file's, of the lines that are written."""
        return {guess.key: json.loads(guess.value) for guess in self.guesses if guess.written}


def guess(table: pd.DataFrame, places: dict[str, str], placemarks: bool = False) -> Columns:
    """Say which column is which.

    Parameters
    ----------
    table : DataFrame
        Text, one column per column of the file, without those about people.
    places : dict
        Our name -> column of the coordinates or shapes of a table; they are written too.
    placemarks : bool
        The file is a KML, whose column `name` is the title of a placemark.
    """
    text = table.apply(lambda column: column.str.strip())
    free = [name for name in text.columns if name not in places.values() and not is_personal(name)]
    identity, share, named = _id(text[free], placemarks)
    guesses = [identity] if identity else []
    taken = {json.loads(identity.value)} if identity else set()
    for look in (_pour_date, _foundation, _land_use, _post_tensioned):
        guesses += look(text[[name for name in free if name not in taken]])
        taken |= {json.loads(guess.value) for guess in guesses}
    guesses += _sizes(text[[name for name in free if name not in taken]])
    taken |= {json.loads(guess.value) for guess in guesses}
    guesses += [Guess("lots.columns", name.lower(), json.dumps(name, ensure_ascii=False), "the file has this name")
                for name in free if name.lower() in KNOWN and name.lower() not in PLACE_COLUMNS and name not in taken
                and name.lower() not in {one.key for one in guesses}]
    signals = sum(one.key not in ("lot_id", "land_use") for one in guesses)
    guesses += [Guess("lots.columns", ours, json.dumps(theirs, ensure_ascii=False), "guessed: by its name and values")
                for ours, theirs in places.items()]
    return Columns(guesses, share, named, signals)


def _line(key: str, column: str, reason: str, sure: bool = True, written: bool = True) -> Guess:
    return Guess("lots.columns", key, json.dumps(column, ensure_ascii=False), reason, sure, written)


def _bare(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _of(part: int, whole: int) -> str:
    return f"{part:,} of {whole:,}"


# ---------------------------------------------------------------- id
def _id(text: pd.DataFrame, placemarks: bool) -> tuple[Guess | None, float, bool]:
    """Return the line of the id, its share of the rows, and whether its name is one of an id."""
    found = []
    for place, name in enumerate(text.columns):
        tier = _id_tier(name, placemarks)
        values = text[name]
        if tier is None or not _can_be_id(values):
            continue
        once = ~values.duplicated(keep=False) & (values != "")
        found.append((tier, -float(once.mean()), place, name, int(once.sum())))
    good = [one for one in found if -one[1] >= SURE_ID and one[0] < _ROW_NUMBER]
    fair = [one for one in found if -one[1] >= LEAST_ID and one[0] < _OTHER]
    rest = [one for one in found if -one[1] >= LEAST_ID]
    best = min(good or fair or rest, default=None, key=lambda one: one[:3] if good else (one[0] // 100, *one[1:3]))
    if best is None:
        return None, 0.0, False
    tier, share, _, name, count = best
    reason = f"guessed: unique in {_of(count, len(text))} rows"
    sure = -share >= SURE_ID and tier < _ROW_NUMBER
    if tier >= _ROW_NUMBER:
        reason += "; a row number, which another export counts again"
    lost, whole = _lost_digits(text[name])
    reason, sure = reason + (f"; {lost}" if lost else ""), sure and whole
    return _line("lot_id", name, reason, sure), -share, tier < _OTHER


_PART, _OTHER, _ROW_NUMBER = 100, 200, 300  # tiers of names; whole names of ids come before


def _id_tier(name: str, placemarks: bool) -> int | None:
    """Return how much a name is one of an id, the smallest the most; None for one that cannot be."""
    bare = _bare(name)
    if placemarks and name == "name":
        return _PART
    if bare in _ID_NAMES:
        return _ID_NAMES.index(bare)
    if _NO_ID.search(bare):
        return None
    if bare in _ROW_NUMBERS:
        return _ROW_NUMBER
    return _PART if bare.startswith(_ID_PARTS) or bare.endswith(_ID_PARTS) else _OTHER


def _can_be_id(values: pd.Series) -> bool:
    """Return whether values may identify: digits in them, no measures, no addresses."""
    filled = values[values != ""]
    if filled.empty:
        return False
    some = filled.iloc[:: max(len(filled) // 2000, 1)].str[:_LONGEST]
    measures = some.str.fullmatch(r"[-+]?\d*\.\d*[1-9]\d*")
    return bool(some.str.contains(r"\d").mean() >= SURE_ID and measures.mean() < 0.5
                and not (some.str.fullmatch(_STREET).mean() > 0.5 or some.str.contains("@").mean() > 0.5))


def _lost_digits(values: pd.Series) -> tuple[str, bool]:
    """Return what to say of an id that was a number on its way, and whether it still is the whole id."""
    filled = values[values != ""]
    if (broken := int(filled.str.fullmatch(r"\d(?:[.,]\d+)?[eE]\+\d+").sum())) > 0:
        return f"a spreadsheet wrote {broken:,} of them as powers of ten, so their last digits are lost", False
    whole = filled.str.removesuffix(".0")
    if not whole.str.fullmatch(r"\d+").all() or whole.str.startswith("0").any():
        return "", True
    length = whole.str.len()
    longest = int(length.max())
    short = int((length < longest).sum())
    numbers = whole.astype(float)
    counted_up = float(numbers.max() - numbers.min()) <= 10 * len(whole)  # a running number is shorter where it begins
    if longest < 5 or not short or short > len(whole) / 2 or counted_up:
        return "", True
    return (f"{short:,} of them have fewer than {longest} digits: leading zeros may be lost, and lists with the zeros "
            "are still matched"), True


# ---------------------------------------------------------------- columns of a house
def _pour_date(text: pd.DataFrame) -> list[Guess]:
    this_year = datetime.date.today().year
    names = [name for name in _by_name("pour_date", text) if not EFFECTIVE_YEAR.search(name)
             and not _NOT_BUILT.search(_bare(name))]
    found = []
    for name in names:
        filled, years = _years(text[name], this_year)
        if filled:
            found.append((name, filled, years))
    best = next((one for one in found if one[2] >= SURE_VALUES * one[1]), next(iter(found), None))
    if best is None:
        return []
    name, filled, years = best
    share = years / filled
    reason = (f"guessed: its name, and {_of(years, filled)} filled cells are dates from {EARLIEST_YEAR} to {this_year}"
              + (f"; {len(text) - filled:,} rows have none" if filled < len(text) else ""))
    if share < 0.5:
        return [_line("pour_date", name, f"not taken: only {_of(years, filled)} filled cells are dates that are read "
                      "(YYYY, YYYY-MM or YYYY-MM-DD)", sure=False, written=name.lower() == "pour_date")]
    return [_line("pour_date", name, reason, share >= SURE_VALUES)]


def _years(column: pd.Series, this_year: int) -> tuple[int, int]:
    """Return how many cells are filled, and how many of them are dates of `EARLIEST_YEAR` to this year."""
    count = column.value_counts()
    filled = years = 0
    for value, rows in count.items():
        first, last, basis, rule = pour_date.read_text(str(value), this_year)
        if basis == "none" and rule in ("", pour_date.NO_YEAR):
            continue
        filled += int(rows)
        years += int(rows) * (basis != "none" and first // 12 >= EARLIEST_YEAR and last // 12 <= this_year)
    return filled, years


def _foundation(text: pd.DataFrame) -> list[Guess]:
    found = []
    for name in _by_name("foundation_type", text):
        if _AREA_WORDS.search(_bare(name)) or re.search(r"date|year|yr", _bare(name)):
            continue
        another, missing = foundation.foundations(text[name])
        known = ~missing & (~another | foundation.names_another(text[name]))
        if (~missing).any():
            found.append((name, int((~missing).sum()), int(known.sum())))
    best = next((one for one in found if one[2] >= SURE_VALUES * one[1]), next(iter(found), None))
    if best is None:
        return []
    name, filled, known_rows = best
    if known_rows < SURE_VALUES * filled:
        values = text[name][text[name] != ""].value_counts().index[:3]
        said = ", ".join(f"'{shown(value)}'" for value in values)
        return [_line("foundation_type", name, f"not taken: only {_of(known_rows, filled)} filled cells name a kind of "
                      f"foundation (it has {said}); any other word would be read as no slab", sure=False,
                      written=name.lower() == "foundation_type")]
    return [_line("foundation_type", name, f"guessed: its name, and {_of(known_rows, filled)} filled cells name a kind "
                  "of foundation")]


def _land_use(text: pd.DataFrame) -> list[Guess]:
    for name in _by_name("land_use", text):
        filled = text[name][text[name] != ""]
        words = int(filled.str.contains(r"[A-Za-z]{3}").sum())
        if len(filled) and words >= SURE_VALUES * len(filled):
            vacant = int(foundation.vacant(text[name]).sum())
            return [_line("land_use", name, f"guessed: its name, and words in {_of(words, len(filled))} filled cells; "
                          f"{vacant:,} say vacant or unimproved")]
    return []


def _post_tensioned(text: pd.DataFrame) -> list[Guess]:
    for name in _by_name("post_tensioned", text):
        filled = text[name] != ""
        _, strange = slab.prestressed(text[name])
        known = int((filled & ~strange).sum())
        if filled.any() and known >= SURE_VALUES * filled.sum():
            return [_line("post_tensioned", name, f"guessed: its name, and {_of(known, int(filled.sum()))} filled "
                          "cells say yes or no")]
    return []


def _sizes(text: pd.DataFrame) -> list[Guess]:
    """Return lines of slab and beam: a length with its unit in its name, never an area."""
    out = []
    for base, listed, allowed in _SIZES:
        for name in _by_name(listed, text, (f"{base}_{unit}" for unit in allowed)):
            if _AREA_WORDS.search(_bare(name)):
                continue
            match = _UNIT.search(name)
            unit = _UNITS[match[1].lower()] if match else ""
            if unit not in allowed:
                out.append(_line(f"{base}_{allowed[1]}", name, "not taken: its name has no unit, and a unit is never "
                                 f"guessed: write {base}_{allowed[0]} or {base}_{allowed[1]}", written=False))
            else:
                out += _size(text[name], base, unit, name)
            break
    return out


def _size(column: pd.Series, base: str, unit: str, name: str) -> list[Guess]:
    convert: Callable[..., np.ndarray] = units.BY_SUFFIX[unit][1]
    values = pd.to_numeric(column.mask(column == ""), errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    filled = int((column != "").sum())
    low, high = slab.PLAUSIBLE_BEAM_MM if base == "beam_depth" else slab.PLAUSIBLE_SIDE_M
    fits = int(np.count_nonzero((convert(values) >= low) & (convert(values) <= high)))
    if not filled:
        return []
    ours = name.lower() == f"{base}_{unit}"
    if fits < SURE_VALUES * filled:
        return [_line(f"{base}_{unit}", name, f"not taken: only {_of(fits, filled)} filled cells can be such a length",
                      written=ours)]
    return [_line(f"{base}_{unit}", name, f"guessed: its name with its unit, and {_of(fits, filled)} filled cells can "
                  "be such a length")]


def _by_name(column: str, text: pd.DataFrame, exact: Iterable[str] = ()) -> list[str]:
    """Return the names of columns that may be one of ours: our own names first, then by `LOOKS_LIKE`."""
    own = {column, *exact}
    names = [str(name) for name in text.columns]
    return list(dict.fromkeys([*(name for name in names if name.lower() in own), *assumptions.alike(column, names)]))
