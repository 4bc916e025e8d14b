"""A list in, the same rows out with added columns: what each row's lot is expected to do, or why that is not known.

Rows keep their order, and their own cells as text. Nothing about people is used: such columns come back empty. Postal
and census areas come back unchanged and affect no estimate, match, order or reason; only the self-check by groups may
read them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.answers import screen_choices
from riskmap.answers.screen_bands import band_of, bands
from riskmap.answers.screen_groups import self_check
from riskmap.answers.screen_list import Listing, is_postal, matched, need_labels, places, propose_id, read
from riskmap.common import tables, units, wording
from riskmap.common.errors import LayerError, counted, joined, shown, visible
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.outputs import calibrated

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.answers.screen_choices import Choices
    from riskmap.common.results import Results

__all__ = ["Listing", "ScreenReport", "bands", "in_order", "matched", "places", "read", "screen"]

# compared with the name without blanks and marks
_FOUNDATION = re.compile(r"foundation\w*", re.IGNORECASE)
RANKED = "long_run_mm"
NUMBERS = (RANKED, "expected_movement_mm", "bend_now_mm")
PARTS = ("long_run_typical_mm", "long_run_part_soil_mm", "long_run_part_slab_mm", "long_run_part_gaps_mm")
TEXTS = ("direction", "phase", "shrink_swell_class", "map_unit_name", "pour_from", "pour_to", "pour_date_basis",
         "data_quality", "neighbor_unit_name", "flags")
# states that give way to the foundation in the listing (in the order of `tables.STATES`), for rows with a lot in
# coverage
_AFTER_FOUNDATION = ("", "no_house_known", "not_yet_poured", "not_enough_data")


@dataclass(frozen=True)
class ScreenReport:
    """The answer.

    Attributes
    ----------
    rows : DataFrame
        The list's own columns, then ours, in file order.
    own : tuple of str
        Names of the list's own columns.
    counts : dict
        Number of rows by match status and by state.
    groups : DataFrame, optional
        The self-check, one row per group.
    problems : list of Problem
    places : dict of str
        Our name (lot_id, address, lon, lat, geometry) -> the list's column by which its rows were found.
    row : int array
        The number of each row in the list as the user's editor shows it.
    label : str
        Column of the list by which a reader recognises a row.
    system : str
        `us` or `si`.
    standing : str
        How far to trust the estimates; if a calibration was given, how far to trust it.

    Notes
    -----
    Two columns of `rows` have names that every DataFrame uses for itself: write `rows["rank"]` and `rows["flags"]`.
    """

    rows: pd.DataFrame
    own: tuple[str, ...]
    counts: dict[str, int]
    groups: pd.DataFrame | None
    problems: list[Problem]
    places: dict[str, str] = field(default_factory=dict)
    row: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    label: str = "matched_lot_id"
    system: str = "us"
    standing: str = wording.STANDING
    today: str = ""  # the present month of the run, YYYY-MM
    candidates: list[list[str]] = field(default_factory=list)  # per row: the lots that it may mean, as they are chosen
    chosen_as: NDArray[np.object_] = field(default_factory=lambda: np.empty(0, dtype=object))  # the lot as it is chosen

    @property
    def calibrated(self) -> bool:
        """Whether there are calibrated columns next to the model's."""
        return calibrated.has(self.rows)

    @property
    def labelled(self) -> bool:
        """Whether the label of each lot is shown next to its id."""
        return ("matched_label_riskmap" if "matched_label" in self.own else "matched_label") in self.rows

    def ours(self, name: str) -> pd.Series:
        """Return a column that we added, even if the list has one with that name."""
        return self.rows[f"{name}_riskmap" if name in self.own else name]

    @property
    def ties(self) -> str:
        """How many rows share a rank, in words; empty text where none do."""
        value = self.ours(RANKED).dropna()
        different = value.nunique()
        if different == len(value):
            return ""
        first, last = self.ours("rank_from"), self.ours("rank_to")
        most = int((last - first).astype(float).idxmax())
        return (f"The {len(value):,} rows with an estimate have {counted(different, 'different long run')}. The "
                f"largest group shares ranks {first[most]:,} to {last[most]:,}. Rows of a group are in the order of "
                "the list; as a rule they have the same soil and slab, as far as these are known.")

    @property
    def lines(self) -> list[str]:
        """Lines for people: how many rows were found and have an estimate, and which share a rank."""
        from riskmap.answers.screen_words import STATE_NAMES

        kinds = "; ".join(f"{STATE_NAMES.get(name, name)}: {value:,}" for name, value in self.counts.items()
                          if name not in ("rows", "with_estimate"))
        text = f"{counted(self.counts['rows'], 'row')}, {self.counts['with_estimate']:,} with an estimate"
        return [f"{text}; {kinds}" if kinds else text, *([self.ties] if self.ties else [])]

    @property
    def reasons(self) -> list[str]:
        """One line per row: its long run and the reasons for it, or its state and the reason for that."""
        from riskmap.outputs import waterfall

        columns = [self.rows[self.label], *(self.ours(name) for name in ("state", "state_reason", "match_note"))]
        numbers = pd.DataFrame({name: self.ours(name) for name in (RANKED, f"{RANKED}_p10", f"{RANKED}_p90", *PARTS)})
        out = []
        for place, label, state, reason, note, row in zip(
                self.row.tolist(), *(column.tolist() for column in columns), numbers.to_dict("records"), strict=True):
            words = "; ".join(part for part in (state, reason, note) if part) if state else ". ".join(
                part for part in (waterfall.long_run_in_a_line({str(name): value for name, value in row.items()},
                                                               self.system), note) if part)
            out.append(f"{visible(str(label)) or f'row {place}'}: {visible(words)}")
        return out


def screen(results: Results, listing: Listing, *, system: str = "us", limits: tuple[float, ...] = (),
           columns: dict[str, str] | None = None, groups: str | None = None, within_m: float = 0.0,
           choices: Choices | None = None) -> ScreenReport:
    """Answer every row of a list from a run.

    Parameters
    ----------
    results : Results
    listing : Listing
    system : str
        `us` adds columns in inches to those in mm; `si` does not.
    limits : tuple of float
        Limits of the bands. [mm]
    columns : dict, optional
        As in `screen_list.read`.
    groups : str, optional
        Column of the list for the self-check.
    within_m : float
        As in `matching.match`. [m]
    choices : Choices, optional
        The lots that the user chose for some rows.

    Raises
    ------
    LayerError
        When the list has no id, coordinate or shape, or lacks the group column; when a column that is read has a
        formula; when the distance is out of range.
    """
    named = columns or {}
    own = tuple(str(column) for column in listing.table.columns)
    with kept_by_refusal(listing.problems):
        _check_groups(listing, groups)
        need_labels(results, named)
        found = matched(results, listing, named, within_m, system)
        label = _label(listing, named)
        names = screen_choices.names_of(results.lots["lot_id"])
        candidates = [[str(names[k]) for k in rows] if rows else [] for rows in found["candidates"]]
        decided: list[Problem] = []
        if choices is not None:
            found, decided = screen_choices.apply(found, choices, results.lots["lot_id"], np.asarray(listing.row),
                                                  listing.table.get(label))
        answer = _answer(results, found)
        problems = _foundation(listing, answer)
        answer = _with_estimate_columns(answer, results, system, limits or tables.DEFLECTION_BANDS_MM)
    problems = [*listing.problems, *propose_id(results, listing, named), *_other_lots(listing, found),
                *_near_addresses(listing, found), *decided, *problems]
    states = answer["state"]
    counts = {"rows": len(answer), "with_estimate": int((states == "").sum()),
              **{str(key): int(value) for key, value in states[states != ""].value_counts().sort_index().items()}}
    checked = None if groups is None else self_check(listing.table[groups], answer)
    answer = answer.rename(columns={name: f"{name}_riskmap" for name in answer if name in own})
    rows = pd.concat([listing.table.reset_index(drop=True), answer], axis=1)
    return ScreenReport(rows, own, counts, checked, problems,
                        places(listing, named, results.labels is not None), np.asarray(listing.row),
                        label, system, calibrated.standing(results), results.today, candidates,
                        np.append(names, "")[found["lot_row"].fillna(-1).to_numpy(np.int64)])


def _check_groups(listing: Listing, groups: str | None) -> None:
    if groups is None:
        return
    if groups in listing.emptied:
        raise LayerError(f"E-SCR-009 {listing.name}: --groups {shown(groups)}: a column about people is not read. Name "
                         "another column.")
    if groups not in listing.table:
        raise LayerError(f"E-SCR-009 {listing.name}: --groups {shown(groups)}: the list has "
                         f"{joined(listing.table.columns, 40)}.")
    listing.readable(groups)


def _label(listing: Listing, columns: dict[str, str]) -> str:
    """Return the column by which a reader recognises a row: that of ids, or else the first that tells rows apart."""
    found_by = places(listing, columns)
    if "lot_id" in found_by:
        return found_by["lot_id"]
    names = [str(name) for name in listing.table.columns]
    plain = [name for name in names if name not in listing.emptied and not is_postal(name)]
    return plain[0] if plain else "matched_lot_id"


# ---------------------------------------------------------------- what a row's lot has
def _answer(results: Results, found: pd.DataFrame) -> pd.DataFrame:
    """Return how each row was found, its state, and the lot's row in the run (-1 without one)."""
    from riskmap.answers import matching

    place = found["lot_row"].fillna(-1).to_numpy(np.int64)
    taken = pd.DataFrame(results.lots[["lot_id", "state", "state_reason", "flags"]]).reindex(place)
    taken = taken.reset_index(drop=True).fillna("").astype(object)
    status = found["match_status"].to_numpy(dtype=object)
    is_matched = status == "matched"
    state = np.where(is_matched, taken["state"], status)
    reason = np.array([matching.STATES.get(str(s), "") for s in status], dtype=object)
    label = {} if results.labels is None else {
        "matched_label": results.labels.reindex(place).fillna("").astype("str").to_numpy(dtype=object)}
    return pd.DataFrame({
        "match_status": status, "match_note": found["match_note"].to_numpy(dtype=object),
        "matched_by": found["matched_by"].to_numpy(dtype=object), "matched_lot_id": taken["lot_id"], **label,
        "state": state,
        "state_reason": np.where(is_matched, taken["state_reason"], reason), "lot": place,
        "flags_of_lot": taken["flags"]})


def _foundation(listing: Listing, answer: pd.DataFrame) -> list[Problem]:
    """Give the state `not_applicable` to rows for which the list itself names another foundation than a slab.

    Words that name no kind of foundation, such as "see remarks", do not remove the estimate; the note repeats them.
    """
    from riskmap.lots.foundation import foundations, names_another

    column = next((str(name) for name in listing.table.columns
                   if _FOUNDATION.fullmatch(re.sub(r"[\W_]+", "", str(name)))), None)
    if column is None:
        return []
    listing.readable(column)
    text = listing.table[column].astype("str").reset_index(drop=True)
    no_slab, not_given = foundations(text)
    another = names_another(text)
    says = (f"column {shown(column)} of the list says '" + text.map(shown) + "'").to_numpy(dtype=object)
    lot = (answer["lot"] >= 0).to_numpy()
    before = answer["state"].isin(_AFTER_FOUNDATION).to_numpy()
    other = another & lot & before
    assumed = (";" + answer["flags_of_lot"] + ";").str.contains(";foundation_type_assumed;", regex=False).to_numpy(bool)
    of_run = np.where(assumed, "the lot file names no foundation", "the lot file says a slab on the ground")
    reason = answer["state_reason"].to_numpy(dtype=object)
    sentence = "C" + pd.Series(says).str[1:].to_numpy(dtype=object) + "; " + of_run.astype(object) \
        + ". The estimate is for a slab on the ground."
    answer["state_reason"] = np.where(other, sentence, reason)
    answer["state"] = np.where(other, "not_applicable", answer["state"].to_numpy(dtype=object))
    unclear = no_slab & ~another & lot & (answer["state"] == "").to_numpy()
    disagrees = ~no_slab & ~not_given & lot & (answer["state"] == "not_applicable").to_numpy()
    note = answer["match_note"].to_numpy(dtype=object)
    more = np.where(unclear, says + "; the estimate is for a slab on the ground", np.where(disagrees, says, ""))
    answer["match_note"] = np.where(more == "", note, np.where(note == "", more, note + "; " + more))
    out = []
    for mask, code, rule, remedy, action in (
            (other, "W-SCR-064", "a foundation that is not a slab on the ground", "Correct the list where it is wrong.",
             "These rows have no estimate; their reason names both sources."),
            (unclear, "W-SCR-068", "words for the foundation that name no kind", "Do not use the estimate of a house "
             "without a slab on the ground.", "The estimate is shown, and the note of the row repeats the words.")):
        if mask.any():
            out.append(Problem(code, listing.name, rule=f"{counted(int(mask.sum()), 'row has', 'rows have')} {rule}: "
                               f"{joined(text[mask].unique())}.", remedy=remedy, action=action,
                               row=int(listing.row[mask][0]), column=shown(column)))
    return out


def _with_estimate_columns(answer: pd.DataFrame, results: Results, system: str,
                           limits: tuple[float, ...]) -> pd.DataFrame:
    """Return the answer with rank, estimates, reasons and facts on each lot; these are empty where there is a state."""
    from riskmap.answers.screen_words import reasons_of

    place = answer["lot"].to_numpy(np.int64)
    lots = pd.DataFrame(results.lots.drop(columns=results.lots.geometry.name))
    taken = lots.reindex(place).reset_index(drop=True)
    numbers = [f"{name}{part}" for name in NUMBERS for part in ("", "_p10", "_p90")] + list(PARTS)
    put = [column.name for column in tables.CALIBRATED if column.name in taken]
    taken.loc[answer["state"].to_numpy() != "", numbers + put] = np.nan
    out = {str(name): answer[name] for name in answer if name not in ("lot", "flags_of_lot")}
    out |= dict(zip(("rank", "rank_from", "rank_to"), _ranks(taken[RANKED]), strict=True))
    for name in (*NUMBERS, *PARTS):
        for part in ("", "_p10", "_p90") if name in NUMBERS else ("",):
            value = taken[f"{name}{part}"].to_numpy(float)
            out[f"{name}{part}"] = pd.Series(value)
            if system == "us":  # a part has one decimal more than the value it explains, as in the run
                out[f"{name.removesuffix('_mm')}_in{part}"] = pd.Series(
                    np.round(units.mm_to_inch(value), 1 if name in NUMBERS else 2) + 0.0)
        if name == RANKED:
            out |= {str(key): values for key, values in reasons_of(taken[[RANKED, *PARTS]], system).items()}
    for name in put:
        out[name] = taken[name].astype(float)
        if system == "us":
            out[name.replace("_mm", "_in")] = units.mm_to_inch(out[name]).round(1) + 0.0
    out["band"] = pd.Series(band_of(taken[RANKED].to_numpy(float), limits))
    for name in TEXTS:
        out[name] = taken[name].fillna("").astype("str").astype(object)
    out["neighbor_unit_share"] = taken["neighbor_unit_share"].astype(float)
    return pd.DataFrame(out)


def _ranks(value: pd.Series) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Return rank, and first and last rank of equal rows: 1 + the number of rows with a larger value as printed.

    Both values are those of the run's table, rounded to 0.1 mm. Rows without a value have no rank.
    """
    printed = value.astype(float).round(1)
    first, last = (printed.rank(method=which, ascending=False).astype("Int64") for which in ("min", "max"))
    return first, first.copy(), last


def in_order(done: ScreenReport) -> NDArray[np.int64]:
    """Return the positions of the rows by rank; equal rows in file order, rows without an estimate last."""
    return np.argsort(-done.ours(RANKED).to_numpy(float).round(1), kind="stable")  # nan stays at the end


# ---------------------------------------------------------------- what is said of the list as a whole
def _other_lots(listing: Listing, found: pd.DataFrame) -> list[Problem]:
    """Return a finding for rows whose parcel id, address and point name different lots."""
    from riskmap.answers.matching import OTHER_LOT

    form = re.escape(OTHER_LOT).replace(r"\{first\}", "[a-z ]+").replace(r"\{by\}", r"\w+")
    torn = found["match_note"].str.contains(form, regex=True).to_numpy(bool)
    if not torn.any():
        return []
    rows = listing.row[torn]
    return [Problem("W-SCR-067", listing.name, rule=f"in {counted(len(rows), 'row')} the parcel id, the address or "
                    f"the point name different lots: {joined(rows)}.", remedy="Correct the id, the address or the "
                    "coordinate, or leave the wrong one empty.", action="No lot was taken.", row=int(rows[0]))]


def _near_addresses(listing: Listing, found: pd.DataFrame) -> list[Problem]:
    """Return a finding for rows whose address is not among the labels, without an address in it."""
    from riskmap.answers.matching_addresses import NOT_AMONG, SIMILAR

    lost = found["match_note"].str.contains(NOT_AMONG, regex=False).to_numpy(bool)
    near = found["match_note"].str.contains(f"{NOT_AMONG}{SIMILAR}", regex=False).to_numpy(bool)
    if not lost.any():
        return []
    return [Problem("W-SCR-070", listing.name, rule=f"in {counted(int(lost.sum()), 'row')} the address is not among "
                    f"the labels of the run; {int(near.sum()):,} of them have a similar one.",
                    remedy="Read the notes of these rows: they name similar labels. Correct the list where one of them "
                    "is meant.",
                    action="No similar address was taken.", row=int(listing.row[lost][0]))]
