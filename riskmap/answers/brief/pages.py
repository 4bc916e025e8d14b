"""The page for the phone: the stops of a round, a card for each, ticks and readings that stay on the device.

Every text is escaped, no address of a network is in it, and only our script may run, which the page's policy names by
its hash. Without scripts the page shows everything. A card prints on a sheet of its own. The skeletons are the HTML
files next to this module, its script and styles are in the folder `round`.
"""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

from riskmap.answers.brief import figures, round_stops
from riskmap.answers.brief import stops as paper
from riskmap.common.errors import counted
from riskmap.outputs import dates, palette, telling
from riskmap.outputs.html_page import filled
from riskmap.outputs.map import page_build

HERE = Path(__file__).parent
ROUND = "round"  # folder of the page's script and styles
_W, _H = 336, 120
_TALL = _W * figures.DRAWING_MM[1] / figures.DRAWING_MM[0]  # of the shape: its heights are exaggerated as on paper
DASHED = ' stroke-dasharray="4"'
BLANK_ROWS = 4  # of readings; the script adds more
FIRST_ANSWERS = ("expected", "now", "next")  # in the open part of a card
READ_IN = {"in": ("in", "ft"), "mm": ("mm", "m")}  # units of a reading by the unit of the page
FIGURES = "Figures: {name}."
PLACED_IN = {"in": "ft", "mm": "m"}
FLOORS = ("bare", "tile", "carpet", "wood", "vinyl")  # examples only: any word may be typed


def _t(value: object) -> str:
    return html.escape(str(value))


def _table(rows: list[list[Any]], numbers: tuple[int, ...] = ()) -> str:
    body = "".join("<tr>" + "".join(f'<td class="n">{_t(v)}</td>' if k in numbers else f"<td>{_t(v)}</td>"
                                    for k, v in enumerate(row)) + "</tr>" for row in rows)
    return f"<table>{body}</table>"


def script() -> str:
    """Return the only script of the page."""
    return page_build.script(ROUND, HERE)


def document(pages: list[dict[str, Any]], area: dict[str, Any]) -> str:
    """Return the HTML file of all pages and the area summary.

    Parameters
    ----------
    pages : list of dict
        As returned by `visits.pages`.
    area : dict
        As returned by `content.area_page`.
    """
    stops, how = round_stops.stops(pages)
    without = sum(1 for page in pages if page["state"])
    counts = [counted(len(pages), "stop"), *([f"{without:,} without an estimate"] if without else [])]
    run = pages[0]["run"] if pages else area["run"]
    texts = {"area": area["area"], "counts": ", ".join(counts) + ".", "month": area["month"],
             "figures": FIGURES.format(name=telling.name_in_text("expected", area["today"])),
             "order": f"{how} {paper.DISTANCE}" if len(pages) > 1 else "",
             "standing": area["standing"], "caution": area["caution"], "run": run}
    floors = "".join(f'<option value="{_t(name)}">' for name in FLOORS)
    return filled(HERE / "lots.html", texts, {
        "policy": page_build.policy([script()]), "script": page_build.inline([script()]),
        "looks": (HERE / ROUND / "round.css").read_text(encoding="utf-8"), "floors": floors,
        "stops": "".join(f"{_stop(stop)}\n" for stop in stops), "summary": _area(area)}) + "\n"


# ---------------------------------------------------------------- a stop and its card
def _stop(stop: round_stops.Stop) -> str:
    page = stop.page
    lines = [stop.hour, stop.way]
    return filled(HERE / "lot.html", {"number": stop.number, "name": stop.name, "caution": page["caution"]}, {
        "line": " · ".join(f"<span>{_t(text)}</span>" for text in lines if text),
        "figure": _figure(page), "heading": _heading(stop), "answer": _answer(page), "remarks": _remarks(page),
        "directions": _directions(page), "signs": _signs(stop), "readings": _readings(stop), "more": _more(page)})


def _figure(page: dict[str, Any]) -> str:
    """Return the estimate with the direction of the bending, or that there is none."""
    told = round_stops.number(page)
    if not told:
        return '<strong class="none">No estimate</strong>'
    return f"<strong>{_t(told)}</strong>{_arrow(page)}<span class=\"by\">{_t(page['number']['row_range'])}</span>"


def _arrow(page: dict[str, Any]) -> str:
    """Draw a slab bent in the expected direction, with arrows where it is high; the words are beside it."""
    kind = str(page.get("direction", ""))
    words = round_stops.direction(page)
    if not words:
        return ""
    up = '<path class="tip" d="M{0} 2l-4 6h8z"/>'
    slab, tips = {"center_lift": ("M3 22Q24 10 45 22", (24,)), "edge_lift": ("M3 13Q24 27 45 13", (6, 42))}.get(
        kind, ("M3 16H45", ()))
    return (f'<span class="side"><svg viewBox="0 0 48 26" aria-hidden="true"><path d="{slab}"/>'
            f'{"".join(up.format(x) for x in tips)}</svg>{_t(words)}</span>')


def _heading(stop: round_stops.Stop) -> str:
    """Return the lines that say which lot this is, where the name of the stop does not."""
    page = stop.page
    lines = [text for text in (page["title"], page["label"]) if text and text != stop.name]
    return "".join(f"<p>{_t(text)}</p>\n" for text in lines)


def _answer(page: dict[str, Any]) -> str:
    if page["state"]:
        return filled(HERE / "lot_without_number.html",
                      {name: page[name] for name in ("state", "state_reason", "would_give", "not_low")})
    answers = {answer["question"]: answer for answer in page["answers"]}
    rows = "".join(f"<dt>{_t(answers[name]['label'])}</dt>{_told(answers[name])}\n" for name in FIRST_ANSWERS)
    reasons = "".join(f"<li><strong>{_t(value)}</strong> {_t(label)}</li>"
                      for value, label in round_stops.reasons(page))
    return filled(HERE / "lot_with_number.html", {
        "why": page["why"], "figure": round_stops.number(page)}, {
        "arrow": _arrow(page), "answers": rows,
        "reasons": f"<ul>{reasons}</ul>" if reasons else "<p>It hardly differs.</p>"})


def _told(answer: dict[str, Any]) -> str:
    """Return an answer as one description, or one for each of its rows."""
    return "".join(f"<dd>{_t(name)}: {_t(text)}</dd>" for name, text in answer["rows"]) \
        or f"<dd>{_t(answer['text'])}</dd>"


def _remarks(page: dict[str, Any]) -> str:
    return f"<p>Remark of the list: {_t(page['remark'])}</p>\n" if page["remark"] else ""


def _directions(page: dict[str, Any]) -> str:
    """Return a link that a map program of the device may open (RFC 5870); the page itself sends nothing."""
    place = round_stops.position(page)
    if place is None:
        return ""
    link = f"geo:{place[0]:.5f},{place[1]:.5f}"
    return (f'<p class="go"><a class="button" href="{link}">Directions in a map program</a> '
            f'<span class="place">Latitude, longitude: <span>{_t(page["place"])}</span></span></p>')


def _signs(stop: round_stops.Stop) -> str:
    """Return the signs for and against what is expected, each with a box to tick, and what to read."""
    check, number = stop.page["checklist"], 0
    out: list[str] = []
    for one in check["lists"]:
        ticks = "".join(f'<label class="tick"><input type="checkbox" name="sign{number + k}"><span>{_t(text)}</span>'
                        "</label>\n" for k, text in enumerate(one["signs"])) + f"<p class=s>{_t(one['source'])}</p>\n"
        number += len(one["signs"])
        if check["note"] or not out:
            out.append(f"<h5>{_t(one['head'])}</h5>\n{ticks}")
        else:  # what speaks against the expected direction opens with a tap
            out.append(f"<details><summary>{_t(one['head'])}</summary>\n{ticks}</details>\n")
    note = f"<p>{_t(check['note'])}</p>\n" if check["note"] else ""
    advice = "".join(f"<p>{_t(text)}</p>\n" for text in check["readings"])
    return f"<h4>{_t(stop.page['observation_title'])}</h4>\n{note}{''.join(out)}{advice}"


def _readings(stop: round_stops.Stop) -> str:
    unit, place = stop.page["unit"], PLACED_IN[stop.page["unit"]]
    rows = "".join(_row(k, place) for k in range(1, BLANK_ROWS + 1))
    return filled(HERE / "lot_readings.html", {"place": place, "lot": _lot_of(stop.page)}, {
        "units": "".join(f"<option>{_t(name)}</option>" for name in READ_IN[unit]), "rows": rows})


def _lot_of(page: dict[str, Any]) -> str:
    """Return the id that readings are stored under; empty where no lot was found, because the row's id is not one."""
    return page["id"] if page["place"] or not page["title"].startswith("Not ") else ""


def _row(k: int, place: str) -> str:
    boxes = [("point", f"Point, row {k}", ""), ("x", f"x in {place}, row {k}", ' inputmode="decimal"'),
             ("y", f"y in {place}, row {k}", ' inputmode="decimal"'), ("reading", f"Reading, row {k}", ""),
             ("floor", f"Floor, row {k}", ' list="floors"'), ("zero", f"Set-up, row {k}", "")]
    return '<li class="row">' + "".join(
        f'<input name="{name}" aria-label="{label}" autocomplete="off" autocapitalize="off" spellcheck="false" '
        f'maxlength="40"{more}>' for name, label, more in boxes) + "</li>\n"


def _more(page: dict[str, Any]) -> str:
    listed = "".join(f"<p class=s>{_t(text)}</p>" for text in (page["note"], page["visit"]) if text)
    run = (f"{listed}<p class=s>{_t(page['dates'])} Run {_t(page['run'])}, manifest {_t(page['manifest'])}. "
           f"{_t(' '.join(page['credits']))}</p>")
    facts, doubts = _table(page["facts"]), "".join(f"<p>{_t(text)}</p>" for text in page["doubts"])
    strip = f"<h4>{_t(page['strip']['title'])}</h4>\n{_strip(page['strip'])}\n" if page["strip"] else ""
    if page["state"]:
        return f"{facts}{doubts}{strip}{_soil(page['soil'])}{run}"
    texts = {name: page[name] for name in ("phase", "since", "whatif_years", "whatif_caution", "typical_lot",
                                           "not_seen")}
    later = [[answer["label"], answer["text"]] for answer in page["answers"]
             if answer["question"] not in FIRST_ANSWERS]
    return filled(HERE / "lot_more.html", texts, {
        "answers": _table(later), "reasons": _table([[value, label] for label, value, _ in page["reasons"]], (0,)),
        "facts": facts, "doubts": doubts, "strip": strip, "profile": _profile(page["profile"]),
        "soil": _soil(page["soil"]), "run": run})


# ---------------------------------------------------------------- drawings
def _strip(strip: dict[str, Any]) -> str:
    if not strip["bars"]:
        return "<p class=s>No drought index for this time.</p>"
    n, half = len(strip["bars"]), _H / 2
    bars = []
    for k, value in enumerate(strip["bars"]):
        if value is None:
            continue
        size = min(abs(value) / 3, 1) * half
        bars.append(f'<rect x="{_W * k / n:.1f}" y="{half - size if value > 0 else half:.1f}" width="{_W / n:.2f}" '
                    f'height="{size:.1f}" fill="{palette.WET if value > 0 else palette.DRY}"/>')
    turning_points = "; ".join(f"{dates.month(month)} {value:+.1f}" for month, value, *_ in strip["turns"])
    words = f"12-month SPEI in standard deviations, {dates.span(strip['from'], strip['to'])}, above the line wetter, " \
            f"below drier than usual. Turning points: {turning_points}. {strip['weeks']}"
    line = f'<path d="M0 {half}H{_W}" stroke="{palette.INK}"/>'
    return _drawing("drought", line + "".join(bars), words)


def _drawing(name: str, inside: str, words: str, width: int = _W) -> str:
    return (f'<svg class="{name}" viewBox="0 0 {width} {_H}" role="img" aria-label="{_t(words)}">{inside}</svg>'
            f"<p class=s>{_t(words)}</p>")


def _profile(profile: dict[str, Any]) -> str:
    """Draw six curves over the height scale that all lots of the brief share. The scale is on the right."""
    if not profile:
        return "<p class=s>No profile.</p>"
    top, low = profile["high"], profile["low"]

    def height(value: float) -> float:
        return 10 + _TALL * (top - value) / (top - low)

    def path(kind: str, part: int) -> str:
        right = [(_W / 2 * (1 + x), height(line[part]))
                 for x, line in zip(profile["x"], profile[kind], strict=True)]
        left = [(_W - x, y) for x, y in reversed(right)]
        return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in [*left, *right])

    ticks = [(top, profile["high_text"]), (0.0, profile["zero_text"]), (low, profile["low_text"])]
    scale = "".join(f'<line x1="0" x2="{_W}" y1="{height(v):.1f}" y2="{height(v):.1f}" stroke="{palette.RULE}"/>'
                    f'<text x="{_W + 6}" y="{height(v) + 5:.1f}" font-size="15">{_t(text)}</text>'
                    for v, text in ticks if text and (v <= low or v >= top or height(low) - height(v) > 15))
    lines = "".join(f'<path d="{path(kind, part)}" fill="none" stroke="{color}" stroke-width="{2 if part == 1 else 1}"'
                    f'{"" if part == 1 else DASHED}/>'
                    for kind, color in (("ground", palette.GROUND), ("slab", palette.INK)) for part in (0, 1, 2))
    return _drawing("shape", scale + lines, profile["words"], _W + 64)


def _soil(soil: dict[str, Any]) -> str:
    if not soil:
        return ""
    rows = [[layer[5], f"{layer[3]:.1f} % ({layer[2]:.1f} to {layer[4]:.1f})"] for layer in soil["layers"]]
    return (f"<h4>Soil profile: {_t(soil['name'])}</h4><p class=s>{_t(soil['weight'])} of the lot's soil"
            f"{_t(soil['others'])}. Depth and linear extensibility.</p>{_table(rows)}")


def _area(area: dict[str, Any]) -> str:
    visits = _table([["group", "order", "lot", "estimate"], *area["visits"]]) if area["visits"] else ""
    texts = {name: area[name] for name in ("counts", "groups_title", "group_note", "not_seen")}
    return filled(HERE / "lots_summary.html", texts, {
        "shared": "".join(f"<p>{_t(text)}</p>" for text in area["shared"]),
        "states": _table([[name, count] for name, count in area["states"]], (1,)),
        "groups": _table([area["group_heads"], *area["groups"]]), "weather": _table(area["weather"]),
        "visits": ("<h3>By the estimate</h3><p class=s>By the estimate within each group of lots that lie "
                   f"together. It is an order for a round, not a ranking of places.</p>{visits}" if visits else "")})
