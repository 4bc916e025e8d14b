"""The same pages as one HTML file: every text escaped, no script, no address, prints one lot a sheet."""

from __future__ import annotations

import html
from typing import Any

_STYLE = """body{font:16px/1.4 Georgia,serif;color:#1a1a1a;background:#fff;margin:0 auto;max-width:52rem;padding:1rem}
section{border-top:2px solid #1a1a1a;padding:.5rem 0;break-after:page}
h1{font-size:1.4rem;margin:.2rem 0}h2{font-size:1.05rem}
table{border-collapse:collapse;width:100%}td,th{padding:.15rem .5rem;text-align:left;vertical-align:top;
border-bottom:1px solid #bbb;overflow-wrap:anywhere}td.n{white-space:nowrap;text-align:right}.s{color:#4d4d4d}
svg{display:block;width:100%;max-width:40rem;height:auto}.c{border:2px solid #1a1a1a;padding:.4rem .6rem}"""
_W, _H = 336, 120
DASHED = ' stroke-dasharray="4"'


def _t(value: object) -> str:
    return html.escape(str(value))


def _table(rows: list[list[Any]], numbers: tuple[int, ...] = ()) -> str:
    body = "".join("<tr>" + "".join(f'<td class="n">{_t(v)}</td>' if k in numbers else f"<td>{_t(v)}</td>"
                                    for k, v in enumerate(row)) + "</tr>" for row in rows)
    return f"<table>{body}</table>"


def document(pages: list[dict[str, Any]], area: dict[str, Any]) -> str:
    """Return the HTML file of all pages and the area summary."""
    body = "".join(_lot(page) for page in pages) + _area(area)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    return ('<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{_t(area['area'])}: lots</title><style>{_STYLE}</style></head><body>\n{body}</body></html>\n")


def _lot(page: dict[str, Any]) -> str:
    out = [f"<section><h1>{_t(page['title'])}</h1><p class=s>{_t(page['area'])}, {_t(page['today'])}. "
           f"{_t(page['standing'])}</p>"]
    if page["note"]:
        out.append(f"<p class=s>{_t(page['note'])}</p>")
    if page["place"]:
        out.append(f"<p>Latitude, longitude: {_t(page['place'])}</p>")
    if page["remark"]:
        out.append(f"<p>Remark of the list: {_t(page['remark'])}</p>")
    if page["state"]:
        out.append(f"<p><strong>No number: {_t(page['state'])}.</strong> {_t(page['state_reason'])}</p>"
                   f"<p><strong>{_t(page['not_low'])}</strong></p>")
    else:
        out += [_table([[n["label"], n["text"], n["range"]] for n in page["numbers"]], (1,)),
                f"<p>{_t(page['direction'])}. Phase: {_t(page['phase'])}. {_t(page['since'])}</p>",
                "<p>What-if years: " + _t(", ".join(f"{name} {value}" for name, value in page["outlook"]))
                + f". <span class=s>{_t(page['outlook_caution'])}</span></p>",
                f"<h2>Why</h2><p class=s>Reference: {_t(page['reference'])}; the parts add up to the expected movement."
                "</p>",
                _table([[value, label] for label, value, _ in page["reasons"]], (0,)), _table(page["facts"]),
                "".join(f"<p class=s>{_t(text)}</p>" for text in page["doubts"]),
                f"<h2>{_t(page['strip']['title'])}</h2>", _strip(page["strip"]),
                "<h2>Expected shape across the slab now</h2>", _profile(page["profile"]), _soil(page["soil"]),
                f"<h2>{_t(page['observation_title'])}</h2>",
                _table([[text, f"[{source}]"] for text, source in page["look"]], (1,)),
                f"<p class=s>{_t(page['look_sources'])}</p>"]
    credits = " ".join(page["credits"])
    out.append(f"<p class=c><strong>{_t(page['caution'])}</strong> {_t(page['not_seen'])}</p>"
               f"<p class=s>{_t(page['dates'])} Run {_t(page['run'])}, manifest {_t(page['manifest'])}. {_t(credits)}"
               "</p></section>\n")
    return "".join(out)


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
                    f'height="{size:.1f}" fill="{"#136697" if value > 0 else "#b85c28"}"/>')
    turning_points = "; ".join(f"{month} {value:+.1f}" for month, value, *_ in strip["turns"])
    words = f"12-month SPEI in standard deviations, {strip['from']} to {strip['to']}, above the line wetter, below " \
            f"drier than usual. Turning points: {turning_points}. {strip['weeks']}"
    line = f'<path d="M0 {half}H{_W}" stroke="#1a1a1a"/>'
    return _drawing("drought", line + "".join(bars), words)


def _drawing(name: str, inside: str, words: str, width: int = _W) -> str:
    return (f'<svg class="{name}" viewBox="0 0 {width} {_H}" role="img" aria-label="{_t(words)}">{inside}</svg>'
            f"<p class=s>{_t(words)}</p>")


def _profile(profile: dict[str, Any]) -> str:
    """Draw six curves over the height scale that all lots of the brief share; the scale stands at the right."""
    if not profile:
        return "<p class=s>No profile.</p>"
    top, low = profile["high"], profile["low"]

    def height(value: float) -> float:
        return 10 + (_H - 20) * (top - value) / (top - low)

    def path(kind: str, part: int) -> str:
        right = [(_W / 2 * (1 + x), height(line[part]))
                 for x, line in zip(profile["x"], profile[kind], strict=True)]
        left = [(_W - x, y) for x, y in reversed(right)]
        return "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in [*left, *right])

    ticks = [(top, profile["high_text"]), (0.0, profile["zero_text"]), (low, profile["low_text"])]
    scale = "".join(f'<line x1="0" x2="{_W}" y1="{height(v):.1f}" y2="{height(v):.1f}" stroke="#bbb"/>'
                    f'<text x="{_W + 6}" y="{height(v) + 5:.1f}" font-size="15">{_t(text)}</text>'
                    for v, text in ticks if text and (v <= low or v >= top or height(low) - height(v) > 15))
    lines = "".join(f'<path d="{path(kind, part)}" fill="none" stroke="{color}" stroke-width="{2 if part == 1 else 1}"'
                    f'{"" if part == 1 else DASHED}/>'
                    for kind, color in (("ground", "#b85c28"), ("slab", "#1a1a1a")) for part in (0, 1, 2))
    span = f"{profile['low_text'] or profile['zero_text']} to {profile['high_text']}"
    words = f"Middle of the slab {profile['middle']} above its edges, {profile['width']} across; black slab, brown " \
            f"ground, dashed: eight draws of ten lie between. Heights are stretched: {span} for all lots of this brief."
    return _drawing("shape", scale + lines, words, _W + 64)


def _soil(soil: dict[str, Any]) -> str:
    if not soil:
        return ""
    rows = [[layer[5], f"{layer[3]:.1f} % ({layer[2]:.1f} to {layer[4]:.1f})"] for layer in soil["layers"]]
    return (f"<h2>Soil profile: {_t(soil['name'])}</h2><p class=s>{_t(soil['weight'])} of the lot's soil"
            f"{_t(soil['others'])}. Depth and linear extensibility.</p>{_table(rows)}")


def _area(area: dict[str, Any]) -> str:
    states = _table([[name, count] for name, count in area["states"]], (1,))
    groups = _table([area["group_heads"], *area["groups"]])
    visits = _table([["group", "order", "lot", "expected movement"], *area["visits"]]) if area["visits"] else ""
    round_ = ("<h2>Order of visits</h2><p class=s>By expected movement within each group of lots that lie together; an "
              f"order for a round, no ranking of places.</p>{visits}" if visits else "")
    return (f"<section><h1>{_t(area['area'])}, {_t(area['today'])}</h1><p class=s>{_t(area['standing'])}</p>"
            f"<p>{_t(area['counts'])}</p>{states}"
            f"<h2>Soil and age: expected movement of the next 12 months</h2>{groups}"
            f"<p class=s>{_t(area['group_note'])}</p>"
            f"{_table(area['weather'])}{round_}"
            f"<p class=c><strong>{_t(area['caution'])}</strong> {_t(area['not_seen'])}</p></section>\n")
