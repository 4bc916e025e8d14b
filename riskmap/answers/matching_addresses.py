"""Addresses as a way to find lots: which lots have the label that an address names, and which labels look like it.

A lot is found where its label is the same address in its written form (`addresses.normal`). A label that is nearly the
same is named in the note of the row and never taken.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.answers import addresses
from riskmap.answers.matching_routes import NO_PAIRS, Route
from riskmap.common.errors import shown

if TYPE_CHECKING:
    from riskmap.answers.addresses import Address

BY = "address"
NOT_AMONG, SIMILAR = "the address is not among the labels", "; similar: "  # how the note of such a row begins
_ALIKE = 0.85  # likeness of two streets with one house number, as of difflib: one letter in six or more (judgement)
_PROPOSED = 3  # labels that a note names
_COMPARED = 2000  # different addresses for which similar labels are looked for; of others it is said that none were
_AT_ONE_NUMBER = 5000  # labels with one house number that are compared with a row
_LAST = addresses.KINDS | addresses.WAYS


def by_address(text: pd.Series, labels: pd.Series, lots: int) -> Route:
    """Return the lots that each address names, and a note on those that name none.

    Parameters
    ----------
    text : Series of str
        What the rows give, empty where they give nothing.
    labels : Series of str
        Labels by position of the lot.
    lots : int
        How many lots there are.
    """
    filled = (text.str.strip() != "").to_numpy(dtype=bool)
    note = np.full(len(text), "", dtype=object)
    labels = labels[(labels.index >= 0) & (labels.index < lots)]
    codes, different = pd.factorize(text.to_numpy(dtype=object))
    asked = [addresses.normal(str(one)) for one in different]
    at_number = _at_number(labels, {one.number for one in asked} - {""})
    fitting = [_fitting(one, at_number.get(one.number, [])) for one in asked]
    count = np.array([len(found) for found in fitting], dtype=np.int64)[codes]
    note[filled & (count > 1)] = "several lots have this address"
    lost = filled & (count == 0)
    said = {code: _nothing(asked[code], at_number, looked=k < _COMPARED)
            for k, code in enumerate(dict.fromkeys(codes[lost].tolist()))}
    note[lost] = [said[code] for code in codes[lost].tolist()]
    where = np.flatnonzero(filled & (count > 0))
    if not len(where):
        return Route(BY, filled, NO_PAIRS, note, exact=filled & (count > 0))
    found = np.concatenate([np.array(fitting[code], dtype=np.int64) for code in codes[where].tolist()])
    return Route(BY, filled, (np.repeat(where, count[where]).astype(np.int64), found), note, exact=filled & (count > 0))


def _at_number(labels: pd.Series, numbers: set[str]) -> dict[str, list[tuple[Address, int, str]]]:
    """Return the labels with one of these house numbers, by number: address, position of the lot, label as written.

    Only labels that have one of the numbers in their text are brought into the written form: a county has a million.
    """
    if not numbers or labels.empty:
        return {}
    first = labels.str.normalize("NFKC").str.upper().str.extract(r"([A-Z0-9]*[0-9][A-Z0-9]*(?:[-/][A-Z0-9]+)*)")[0]
    some = labels[first.fillna("").str.replace(r"^0+(?=[0-9]+$)", "", regex=True).isin(numbers)]
    out: dict[str, list[tuple[Address, int, str]]] = {}
    for place, text in some.items():
        address = addresses.normal(text)
        if address.number in numbers:
            out.setdefault(address.number, []).append((address, int(str(place)), text))
    return out


def _fitting(asked: Address, known: list[tuple[Address, int, str]]) -> list[int]:
    """Return the lots whose label is this address."""
    return [place for address, place, _ in known if asked.agrees(address)]


def _nothing(asked: Address, at_number: dict[str, list[tuple[Address, int, str]]], *, looked: bool) -> str:
    """Return what to say of an address that is not a label: what it lacks, or which labels look like it."""
    if not asked.number:
        return "the address has no house number, so it names no lot"
    if not looked:
        return f"{NOT_AMONG}; similar ones were not looked for, because the list has too many rows"
    known = at_number.get(asked.number, [])[:_AT_ONE_NUMBER]
    alike = [(-_likeness(asked, address), text) for address, _, text in known]
    names = list(dict.fromkeys(text for less, text in sorted(alike) if less <= -_ALIKE))
    if not names:
        return NOT_AMONG
    more = f" and {len(names) - _PROPOSED} more" if len(names) > _PROPOSED else ""
    return (f"{NOT_AMONG}{SIMILAR}" + ", ".join(f"'{shown(name)}'" for name in names[:_PROPOSED])
            + f"{more}; nothing was taken")


def _likeness(asked: Address, known: Address) -> float:
    """Return how alike two addresses with one house number are, 0 to 1; 1 where only kind, unit or city differ."""
    streets = asked.street, known.street
    names = _name(streets[0]), _name(streets[1])
    if streets[0] == streets[1] or (names[0] == names[1] != ""):
        return 1.0
    shorter, longer = sorted(streets, key=len)
    if longer.startswith(f"{shorter} "):
        return 1.0
    mine, other = (street.partition(" ")[2] for street in streets)
    return difflib.SequenceMatcher(None, mine, other, autojunk=False).ratio()


def _name(street: str) -> str:
    """Return a street without its house number and the words of its kind and direction."""
    return " ".join(word for word in street.split()[1:] if word not in _LAST)

