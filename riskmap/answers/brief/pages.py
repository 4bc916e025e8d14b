"""The same pages as one HTML file: every text is escaped, there is no script or address, and a lot prints on one sheet.

Its skeletons are the HTML files next to this module.
"""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

from riskmap.answers.brief import figures
from riskmap.outputs import palette
from riskmap.outputs.html_page import filled

HERE = Path(__file__).parent
_W, _H = 336, 120
_TALL = _W * figures.DRAWING_MM[1] / figures.DRAWING_MM[0]  # of the shape: its heights are exaggerated as on paper
DASHED = ' stroke-dasharray="4"'


def _t(value: object) -> str:
    return html.escape(str(value))


def _table(rows: list[list[Any]], numbers: tuple[int, ...] = ()) -> str:
    body = "".join("<tr>" + "".join(f'<td class="n">{_t(v)}</td>' if k in numbers else f"<td>{_t(v)}</td>"
                                    for k, v in enumerate(row)) + "</tr>" for row in rows)
    return f"<table>{body}</table>"


def document(pages: list[dict[str, Any]], area: dict[str, Any]) -> str:
    """Return the HTML file of all pages and the area summary."""
    sections = "".join(f"{_lot(page)}\n" for page in pages) + f"{_area(area)}\n"
    return filled(HERE / "lots.html", {"area": area["area"]}, {"sections": sections}) + "\n"


def _lot(page: dict[str, Any]) -> str:
    remarks = [("", page["label"], ""), ("", page["visit"], ""), ("", page["note"], " class=s"),
               ("Latitude, longitude: ", page["place"], ""),
               ("Remark of the list: ", page["remark"], "")]
    texts = {name: page[name] for name in ("title", "area", "today", "standing", "caution", "not_seen", "dates", "run",
                                           "manifest")}
    return filled(HERE / "lot.html", {**texts, "credits": " ".join(page["credits"])}, {
        "remarks": "".join(f"<p{style}>{before}{_t(text)}</p>\n" for before, text, style in remarks if text),
        "answer": _without_number(page) if page["state"] else _with_number(page)})


def _without_number(page: dict[str, Any]) -> str:
    return filled(HERE / "lot_without_number.html", {name: page[name] for name in ("state", "state_reason", "not_low")})


def _with_number(page: dict[str, Any]) -> str:
    texts = {name: page[name] for name in ("phase", "since", "whatif_years", "whatif_caution", "why",
                                           "typical_lot", "observation_title", "look_sources")}
    return filled(
        HERE / "lot_with_number.html", {**texts, "strip_title": page["strip"]["title"]},
        {"answers": _table([[answer["label"], answer["text"]] for answer in page["answers"]]),
         "reasons": _table([[value, label] for label, value, _ in page["reasons"]], (0,)),
         "facts": _table(page["facts"]), "doubts": "".join(f"<p class=s>{_t(text)}</p>" for text in page["doubts"]),
         "strip": _strip(page["strip"]), "profile": _profile(page["profile"]), "soil": _soil(page["soil"]),
         "look": _table([[text, f"[{source}]"] for text, source in page["look"]], (1,))})


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
    turning_points = "; ".join(f"{month} {value:+.1f}" for month, value, *_ in strip["turns"])
    words = f"12-month SPEI in standard deviations, {strip['from']} to {strip['to']}, above the line wetter, below " \
            f"drier than usual. Turning points: {turning_points}. {strip['weeks']}"
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
    return (f"<h2>Soil profile: {_t(soil['name'])}</h2><p class=s>{_t(soil['weight'])} of the lot's soil"
            f"{_t(soil['others'])}. Depth and linear extensibility.</p>{_table(rows)}")


def _area(area: dict[str, Any]) -> str:
    visits = _table([["group", "order", "lot", "expected bending"], *area["visits"]]) if area["visits"] else ""
    texts = {name: area[name] for name in ("area", "today", "standing", "counts", "group_note", "caution", "not_seen")}
    return filled(HERE / "lots_summary.html", texts, {
        "shared": "".join(f"<p>{_t(text)}</p>" for text in area["shared"]),
        "states": _table([[name, count] for name, count in area["states"]], (1,)),
        "groups": _table([area["group_heads"], *area["groups"]]), "weather": _table(area["weather"]),
        "visits": ("<h2>Order of visits</h2><p class=s>By expected bending within each group of lots that lie "
                   f"together. It is an order for a round, not a ranking of places.</p>{visits}" if visits else "")})
