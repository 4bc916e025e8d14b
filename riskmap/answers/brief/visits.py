"""Papers about single lots: which lots, in which order, and with which picture. It is the counterpart of `assess`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers import if_cracked, screen
from riskmap.answers.brief import content, figures, stops
from riskmap.common.errors import LayerError, joined, visible
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.estimates.order import inspection_order
from riskmap.outputs import lot_text
from riskmap.run import record, reuse
from riskmap.run.store import Store

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.movement.driver import Driver
    from riskmap.movement.shape_now import Shape

# lots nearer than this to another lot of the group belong to one round (judgement: a few minutes by car)
APART_M = 1500.0
MOST = 2000  # pages
MOST_REFUSED = 20  # unknown ids that are named
# A list's own words, printed unchanged: our name -> the headings by which a column is recognised.
PRINTED = {"hour": ("hour", "time"), "order": ("order", "stop"), "address": ("address",),
           "remark": ("remark", "remarks", "note", "notes", "comment", "comments")}


@dataclass(frozen=True)
class Visit:
    """One page: the position of the lot (-1 where none was found), what was asked for, and how it was found."""

    row: int
    request: dict[str, str]
    status: str
    note: str


@dataclass(frozen=True)
class Papers:
    """What a brief shows.

    Attributes
    ----------
    visits : list of Visit
    pages : list of dict
        Values of every page, in the order of `visits`.
    order : DataFrame
        As returned by `rounds`.
    summary : dict
        Values of the page about the area.
    head : dict
        Title, year and month that the documents show.
    """

    visits: list[Visit]
    pages: list[dict[str, Any]]
    order: pd.DataFrame
    summary: dict[str, Any]
    head: dict[str, Any]


def page_list(results: Results, ids: list[str], listing: Path | None, top: int | None,
              columns: dict[str, str] | None = None) -> list[Visit]:
    """Return the pages that were asked for, in the same order.

    `columns`: our name (lot_id, lon, lat, geometry, and those of `PRINTED`) -> the list's column, where the list uses
    another name.

    Raises
    ------
    LayerError
        When nothing or too much is asked for, or the list cannot be used; the error contains all findings on the list.
    """
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        return _page_list(results, ids, listing, top, columns or {}, problems)


def _page_list(results: Results, ids: list[str], listing: Path | None, top: int | None, columns: dict[str, str],
               problems: list[Problem]) -> list[Visit]:
    """Return the pages; findings on the list are added to `problems`."""
    if columns and listing is None:
        raise LayerError("E-BRF-003 --column says what a column of a list is. Give the list too: --visits FILE.")
    names = results.lots["lot_id"].astype("str")
    visits: list[Visit] = []
    unknown = [lot for lot in dict.fromkeys(ids) if lot not in set(names)] if ids else []
    if unknown:
        raise LayerError(_refusal(unknown, names))
    for lot in ids:
        visits += [Visit(int(row), {"lot_id": lot}, "matched", "") for row in names.index[names == lot]]
    if listing is not None:
        visits += _listed(results, listing, columns, problems)
    if top is not None:
        first = inspection_order(results.lots)[:top]
        visits += [Visit(int(row), {"lot_id": str(names.iloc[row])}, "matched", "") for row in first]
    if not visits:
        raise LayerError("E-BRF-001 no lot is named. Use --lots ID,ID, --visits FILE or --top N.")
    if len(visits) > MOST:
        raise LayerError(f"E-BRF-002 {len(visits):,} pages; at most {MOST:,}. Name fewer lots.")
    return visits


def _refusal(unknown: list[str], names: pd.Series) -> str:
    """Return why ids are refused: all of them at once, each with ids that contain it."""
    told = []
    for lot in unknown[:MOST_REFUSED]:
        near = names[names.str.contains(lot, regex=False, case=False)].head(5).tolist()
        told.append(visible(lot) + (f" (similar: {joined(near)})" if near else ""))
    more = f" and {len(unknown) - MOST_REFUSED:,} more" if len(unknown) > MOST_REFUSED else ""
    return (f"E-BRF-004 --lots: the run has no lot with {'this id' if len(unknown) == 1 else 'these ids'}: "
            f"{'; '.join(told)}{more}. Write the ids as in the lot file; no page was written.")


def _listed(results: Results, listing: Path, columns: dict[str, str], problems: list[Problem]) -> list[Visit]:
    listed = screen.read(listing, columns, also=tuple(PRINTED))
    problems += listed.problems
    answer = screen.matched(results, listed, columns)
    places = screen.places(listed, columns, results.labels is not None)
    named = {ours: theirs for ours, theirs in places.items() if ours != "geometry"} | _printed(listed, columns)
    cells = {ours: listed.table[theirs].astype("str").tolist() for ours, theirs in named.items()}
    return [Visit(int(row), {**{name: values[k] for name, values in cells.items()}, "row": str(int(listed.row[k]))},
                  str(status), str(note))
            for k, (row, status, note) in enumerate(zip(answer["lot_row"].fillna(-1).astype(int),
                                                        answer["match_status"], answer["match_note"], strict=True))]


def _printed(listed: screen.Listing, columns: dict[str, str]) -> dict[str, str]:
    """Return which columns of a list are printed: our name -> the list's. Those about people are empty."""
    lower = {str(name).strip().lower(): str(name) for name in reversed(list(listed.table.columns))}
    found = {}
    for ours, headings in PRINTED.items():
        theirs = columns.get(ours) or next((name for low, name in reversed(lower.items()) if low in headings), None)
        if theirs is not None:
            found[ours] = theirs
    if listed.shapes is not None and "lot_id" in listed.table:
        found["remark"] = "lot_id"  # the name of a pin is not an id, but says which pin
    return found


def pages(results: Results, visits: list[Visit], system: str, about: dict[str, str],
          store: Store = if_cracked.NO_STORE) -> list[dict[str, Any]]:
    """Return the values of every page, in order. All pages share one scale for bars and one for shapes."""
    drivers: dict[str, Driver] = {}  # the weather of a cell is made once for shapes and cracks
    shapes = _shapes(results, [visit.row for visit in visits], store, drivers)
    scales = figures.scales(results.lots, [shape.lines_mm for shape in shapes.values()], system)
    cracked = if_cracked.sentences(results, [visit.row for visit in visits if visit.row >= 0], system, store,
                                   drivers)
    # found once for all pages
    once: dict[str, Any] = {"shared_reasons": lot_text.shared_reasons(results), "once": {}}
    if results.inputs is not None:
        once["area"] = record.area_of(results)
    results = replace(results, facts={**results.facts, **once})
    names = results.lots["lot_id"].astype("str")
    out = []
    for visit in visits:
        if visit.row < 0:
            out.append(content.missing_page(visit.request, visit.status, visit.note, results, about, system))
            continue
        out.append(content.lot_page(results, visit.row, system, shapes.get(visit.row), about,
                                    _asked(visit.request, names.iloc[visit.row]),
                                    remark=visit.request.get("remark", ""), visit=content.visit_line(visit.request),
                                    scales=scales,
                                    cracked=cracked.get(visit.row, "")))
    for visit, page in zip(visits, out, strict=True):
        page["asked"] = content.asked_of(visit.request)
    return out


def _asked(request: dict[str, str], lot_id: str) -> str:
    """Return what a row of a list asked for, where that is not the lot's id, and its row; nothing without a list."""
    if "row" not in request:
        return ""
    wish = content.asked_for({**request, "address": ""})  # an address of the list has a line of its own
    return f"Row {request['row']} of the list" + (f", asked for as {wish}" if wish and wish != lot_id else "")


def _shapes(results: Results, rows: list[int], store: Store, drivers: dict[str, Driver]) -> dict[int, Shape]:
    if results.inputs is None:
        return {}
    from riskmap.movement import shape_now

    inputs, area = results.inputs, record.area_of(results)
    archetype = {row: int(inputs.lot_archetype[row]) for row in rows if row >= 0 and inputs.lot_archetype[row] >= 0}

    def compute(ids: list[int]) -> dict[int, NDArray[np.float64]]:
        draws = shape_now.of_draws(inputs, ids, area, drivers=drivers)
        return {number: shape_now.flat(shape_now.summarised(one)) for number, one in draws.items()}

    shapes = {number: shape_now.from_flat(values) for number, values in
              reuse.of_archetypes(store, "shape", inputs, archetype.values(), area, compute).items()}
    return {row: shapes[number] for row, number in archetype.items()}


def rounds(results: Results, visits: list[Visit]) -> pd.DataFrame:
    """Return the order of visits: lots near to each other form one group, and each group is ordered by
    `inspection_order`.

    Columns: cluster (1, 2, ... in the order of its first lot), order, lot_row, lot_id, expected_movement_mm.
    """
    rows = [visit.row for visit in visits if visit.row >= 0]
    lots = results.lots.iloc[sorted(set(rows))]
    lots = lots[(lots["state"] == "") & ~lots.geometry.isna()]
    columns = ["cluster", "order", "lot_row", "lot_id", "expected_movement_mm"]
    if lots.empty:
        return pd.DataFrame(columns=columns)
    groups = _near_groups(lots.geometry.to_crs("EPSG:5070").centroid.to_numpy())
    frame = pd.DataFrame({"label": groups, "lot_row": lots["lot_row"].to_numpy(), "lot_id": lots["lot_id"].to_numpy(),
                          "expected_movement_mm": lots["expected_movement_mm"].to_numpy(float)})
    frame = frame.iloc[inspection_order(lots)]
    frame = frame.assign(cluster=pd.factorize(frame["label"])[0] + 1)
    frame = frame.sort_values(["cluster"], kind="stable")
    frame["order"] = frame.groupby("cluster").cumcount() + 1
    return frame[columns].reset_index(drop=True)


def _near_groups(points: NDArray[np.object_]) -> NDArray[np.int32]:
    """Return the number of the group of each point: two points are in one when steps of `APART_M` lead to the other.

    A clustering library gives the same groups, and takes longer to load than the rest of a brief takes.
    """
    import shapely
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    one, other = shapely.STRtree(points).query(points, predicate="dwithin", distance=APART_M)
    near = coo_array((np.ones(len(one), dtype=bool), (one, other)), shape=(len(points), len(points)))
    groups: NDArray[np.int32] = connected_components(near, directed=False)[1]
    return groups


def papers(results: Results, visits: list[Visit], system: str, about: dict[str, str],
           store: Store = if_cracked.NO_STORE) -> Papers:
    """Return all values of a brief; nothing is written.

    Parameters
    ----------
    results : Results
    visits : list of Visit
        As returned by `wanted`.
    system : str
        `us` or `si`.
    about : dict
        Name of the run and the first characters of the digest of its manifest.
    store : Store
        Where shapes and cracked ground of earlier briefs are found.
    """
    order = rounds(results, visits)
    year, month = (int(part) for part in results.today.split("-"))
    made = pages(results, visits, system, about, store)
    turn = {int(row): k for k, row in enumerate(order["lot_row"])}
    for visit, page in zip(visits, made, strict=True):
        page["turn"] = turn.get(visit.row)
    return Papers(visits, made, order,
                  content.area_page(results, system, order, about, stops.page_values(results, visits, order, system)),
                  {"title": f"{results.area_name}: lots", "year": year, "month": month})


def write(brief: Papers, folder: Path, paper: str, each: bool) -> None:
    """Write lots.pdf, area.pdf, lots.html and pages.csv, and with `each` also one PDF per page, into a folder.

    Parameters
    ----------
    brief : Papers
    folder : Path
    paper : str
        `letter` or `a4`.
    each : bool
    """
    from riskmap.answers.brief import pages as html
    from riskmap.answers.brief import pdf

    head = brief.head
    (folder / "lots.pdf").write_bytes(pdf.compiled("page.typ", {**head, "pages": brief.pages}, paper)[0])
    (folder / "area.pdf").write_bytes(pdf.compiled("area.typ", {**head, "area": brief.summary}, paper)[0])
    (folder / "lots.html").write_text(html.document(brief.pages, brief.summary), encoding="utf-8",
                                      errors="backslashreplace", newline="\n")
    if each:
        for k, page in enumerate(brief.pages, start=1):
            (folder / f"page_{k:04d}.pdf").write_bytes(pdf.compiled("page.typ", {**head, "pages": [page]}, paper)[0])
    _index(folder / "pages.csv", brief.visits, brief.pages, brief.order)


def _index(path: Path, visits: list[Visit], pages: list[dict[str, Any]], order: pd.DataFrame) -> None:
    """Write which page shows which lot, and the order of visits.

    A text that could run as a formula gets an apostrophe.
    """
    import csv

    from riskmap.outputs.files.csv_table import guarded

    place = {int(row["lot_row"]): (int(row["cluster"]), int(row["order"])) for row in order.to_dict("records")}
    rows = [[k, page["id"], visit.status, page["state"], *place.get(visit.row, ("", ""))]
            for k, (visit, page) in enumerate(zip(visits, pages, strict=True), start=1)]
    with path.open("w", encoding="utf-8-sig", errors="backslashreplace", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["page", "lot_id", "match_status", "state", "group", "order_in_group"])
        writer.writerows(guarded(pd.Series([str(cell) for cell in row])) for row in rows)
