"""The menus in which the user says what the columns of a file are: the same for lots and for lists."""

from __future__ import annotations

from collections.abc import Mapping

from riskmap.common.errors import joined
from riskmap.window.refusals import WindowError

NOT_USED = "-"  # in the menu of a column
# What a column of the lot file can be, with the words of the menu.
OF_LOTS = {"lot_id": "id of the lot", "pour_date": "year built, or date of the pour",
           "foundation_type": "kind of foundation", "land_use": "land use",
           "post_tensioned": "post-tensioned, yes or no",
           "slab_width_ft": "width of the slab, ft", "slab_width_m": "width of the slab, m",
           "slab_length_ft": "length of the slab, ft", "slab_length_m": "length of the slab, m",
           "beam_depth_in": "depth of the beams, in", "beam_depth_mm": "depth of the beams, mm"}
# What a column of a list can be.
OF_LISTS = {"lot_id": "id of the lot", "address": "address", "lon": "longitude, degrees", "lat": "latitude, degrees",
            "geometry": "shape or point as text (WKT)"}


def said(form: Mapping[str, list[str]], means: Mapping[str, str], meanings: Mapping[str, str]) -> dict[str, str]:
    """Return what a form says that was not said before: our name -> column, or empty text where none is it any more.

    Parameters
    ----------
    form : mapping
        `column` has the names of the columns, and `means-0`, `means-1`, ... what each is. Columns that are not in
        `means` do not count.
    means : mapping
        Column -> our name, as it was before; empty text for a column that is not used.
    meanings : mapping
        Our name -> its words, of the menu.

    Raises
    ------
    WindowError
        Two columns are said to be the same.
    """
    chosen = {name: form.get(f"means-{k}", [""])[0] for k, name in enumerate(form.get("column", [])) if name in means}
    left = {means[name]: "" for name, ours in chosen.items() if ours == NOT_USED and means[name] in meanings}
    new = [(ours, name) for name, ours in chosen.items() if ours in meanings and means[name] != ours]
    if len({ours for ours, _ in new}) < len(new):
        twice = next(ours for ours, _ in new if [one for one, _ in new].count(ours) > 1)
        names = joined(name for ours, name in new if ours == twice)
        raise WindowError(f"E-WIN-024 {names}: more than one column is said to be this: {meanings[twice]}. Choose one.")
    return left | dict(new)


def together(before: Mapping[str, str], now: Mapping[str, str]) -> dict[str, str]:
    """Return our name -> column of what was said before and now; a column is only one thing, the last that was said."""
    taken = {theirs for theirs in now.values() if theirs}
    return {ours: theirs for ours, theirs in before.items() if theirs not in taken} | dict(now)


def words(columns: Mapping[str, str]) -> list[str]:
    """Return the options of a command that say the same."""
    return [word for ours, theirs in columns.items() for word in ("--column", f"{ours}={theirs}")]
