"""Texts that have broken products of this kind: templates, scripts, formulas, markup, control and direction marks.

Each is in every text column of a run and goes through every product. `NEVER` is what a template engine would make
of the first; a script that ran would set `RAN` on the page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from riskmap.common import tables
from riskmap.common.results import Results

NEVER = str(31337 * 94011)
RAN = "riskmap_payload_ran"

TEXTS: tuple[str, ...] = (
    # templates
    "{{31337*94011}}", "{% for x in (1,2) %}x{% endfor %}", "{{ ''.__class__.__mro__ }}", "${31337*94011}",
    "#{31337*94011}", "<%= 31337*94011 %>", "{31337*94011}", "%(lot_id)s %s %d", "{0} {lot_id!r}", "\\{{x}}",
    # scripts and markup
    f"<script>window.{RAN}=1</script>", f"</script><script>window.{RAN}=1</script>",
    f"<img src=x onerror=window.{RAN}=1>", f"<svg onload=window.{RAN}=1>", f"javascript:window.{RAN}=1",
    f"'\"><body onload=window.{RAN}=1>", f"`${{window.{RAN}=1}}`", f"${{window.{RAN}=1}}", "<!-- -->", "-->",
    "]]><x>", "<![CDATA[x]]>", "&amp;lt;b&gt;", "<b>bold</b>", "</title></style></textarea>",
    f"<a href=\"data:text/html,<script>window.{RAN}=1</script>\">x</a>", f"<iframe srcdoc='<script>parent.{RAN}=1'>",
    # XML
    "<!DOCTYPE a [<!ENTITY b SYSTEM \"file:///etc/hostname\">]>&b;", "&b;", "<?xml version='1.0'?>",
    # formulas
    "=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1", "\r=1+1", "\n=1+1", "'=1+1", "''=1+1", "=HYPERLINK(\"http://x\",\"y\")",
    "=cmd|' /C calc'!A0", "=IMPORTXML(\"http://x\",\"//a\")", "＝1+1", "＋1", "－1", "＠x", "\x00=1+1", " =1+1",
    # queries and paths
    "'; DROP TABLE lots; --", "\" OR \"\"=\"", "../../etc/passwd", "C:\\Windows\\x", "NUL", "a;b|c&d$(e)`f`",
    # separators and line ends
    "a,b;c\td|e", "say \"yes\", twice", "line\nbreak", "line\r\nbreak", "\"", "'", "\\", "\\n", "\\u0041",
    # what is invisible or turns direction
    "\x07bell", "\x1b[31mred\x1b[0m", "\u202egnp.exe\u202c", "\u200bzero\u200dwidth", "\ufeffmark", "\u2028line\u2029",
    "soft\u00adhyphen", "\u2066x\u2069",
    # other scripts, long ones, look-alikes of numbers and of nothing
    "ünï – 地 🏚️", "מגרש 12", "قطعة ٣", "e\u0301", "🇦🇷👩‍👧", "x" * 3000, "000123", "1E5", "NA", "None",
    "nan", "NULL", "TRUE", "1/2", "2025-10-28", "12345678901234567", "-0", "Infinity", " leading and trailing ",
)
TEXT_COLUMNS = tuple(column.name for column in tables.ESTIMATE.columns if column.kind == "text")
KEPT = ("state", "direction", "phase", "data_quality")  # codes: their values are ours, never a user's


def spread(found: Results) -> Results:
    """Return results in which each text is once in each column that can contain a user's or a survey's text."""
    lots = found.lots.copy()
    if len(lots) < len(TEXTS):
        raise ValueError(f"needs at least {len(TEXTS)} lots")
    for shift, name in enumerate(TEXT_COLUMNS):
        if name in KEPT:
            continue
        turned = [TEXTS[(k + shift) % len(TEXTS)] for k in range(len(lots))]
        lots[name] = turned
    return replace(found, lots=lots, area_name=TEXTS[0], credits=TEXTS[:3])


def expected(found: Results, change: Callable[[str], str] = str) -> dict[str, list[str]]:
    """Return what a product must give back per text column, after the change that it documents."""
    return {name: [change(value) for value in found.lots[name]] for name in TEXT_COLUMNS}
