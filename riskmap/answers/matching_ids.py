"""Parcel ids: the forms in which they are compared, the lots that one names, and the ids that look like it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from riskmap.answers.matching_routes import NO_PAIRS, Pairs, Route, put_together, texts

_COMPARED = 5000  # ids that are compared letter by letter

# A spreadsheet turned the identifier into a number: 1.2345E+16, 123.0. Digits are lost, so nothing is guessed from it.
_MADE_NUMBER = r"\d(?:\.\d+)?[eE]\+\d+|\d+\.0+"
_JOINING = r"[\s\u00ad\u200b-\u200f\u2060\ufeff\-\u2010-\u2015\u2212]+"  # blanks, dashes of every kind, invisible marks


def normal_id(text: pd.Series) -> pd.Series:
    """Return parcel ids without case, blanks and dashes, in one Unicode form; leading zeros remain."""
    plain = text.str.normalize("NFKC").str.casefold()
    return plain.str.replace(_JOINING, "", regex=True)


def same_id(lot_id: str, known: pd.Series) -> tuple[list[str], str]:
    """Return the distinct ids, as they are written, that match a parcel id, and how they were compared."""
    route = by_id(pd.Series([lot_id], dtype=str), pd.DataFrame({"lot_id": known}))
    return sorted(set(known.iloc[route.pairs[1]])), str(route.note[0]) or "parcel id compared without blanks around it"


def near_ids(lot_id: str, known: pd.Series, most: int = 5) -> list[str]:
    """Return ids that resemble one: those that contain it, or else those with the same start or end and few changes."""
    import difflib

    plain, form = normal_id(pd.Series([lot_id]))[0], normal_id(known)
    if not plain:
        return []
    inside = known[form.str.contains(plain, regex=False)].head(most)
    if len(inside):
        return [str(name) for name in inside]
    half = max(len(plain) // 2, 1)
    alike = form[form.str.startswith(plain[:half]) | form.str.endswith(plain[-half:])].drop_duplicates()[:_COMPARED]
    written = dict(zip(alike, known.loc[alike.index], strict=True))
    return [str(written[name]) for name in difflib.get_close_matches(plain, list(written), most, 0.7)]


def by_id(text: pd.Series, lot: pd.DataFrame) -> Route:
    """Return the lots that each parcel id names; `exact` where it matched without ignoring leading zeros."""
    filled = (text.str.strip() != "").to_numpy(dtype=bool)
    known = texts(lot, "lot_id")
    note = np.full(len(text), "", dtype=object)
    pairs = [NO_PAIRS]
    still = np.flatnonzero(filled)
    forms: tuple[tuple[str, Callable[[pd.Series], pd.Series]], ...] = (
        ("", lambda ids: ids.str.strip()), ("parcel id compared without case, blanks and dashes", normal_id),
        ("parcel id compared without leading zeros", lambda ids: normal_id(ids).str.lstrip("0")))
    exact = np.zeros(len(text), dtype=bool)
    for sentence, form in forms:
        where, lots = _equal(form(text.iloc[still]), form(known))
        pairs.append((still[where], lots))
        note[still[where]] = sentence
        exact[still[where]] = "zeros" not in sentence
        still = np.setdiff1d(still, still[where])
    note[still] = "the parcel id is not among the lots"
    damaged = text.iloc[still].str.strip().str.fullmatch(_MADE_NUMBER).to_numpy(dtype=bool)
    note[still[damaged]] = ("the parcel id is not among the lots; it looks as if a spreadsheet had made a number of "
                            "it, so digits may be lost")
    return Route("parcel id", filled, put_together(pairs), note, exact=exact)


def _equal(asked_ids: pd.Series, known: pd.Series) -> Pairs:
    """Return all pairs of equal texts, as positions in both; empty text equals nothing."""
    codes, _ = pd.factorize(np.concatenate([known.to_numpy(dtype=object), asked_ids.to_numpy(dtype=object)]))
    ours, theirs = codes[:len(known)], codes[len(known):]
    order = np.argsort(ours, kind="stable")
    first = np.searchsorted(ours[order], theirs, "left")
    count = np.searchsorted(ours[order], theirs, "right") - first
    count[(asked_ids == "").to_numpy(dtype=bool)] = 0
    left = np.repeat(np.arange(len(asked_ids)), count)
    within = np.arange(len(left)) - np.repeat(np.cumsum(count) - count, count)
    return left.astype(np.int64), order[first[left] + within].astype(np.int64)
