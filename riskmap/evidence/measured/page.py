"""The evidence page in Markdown: what was compared with measurements, what fails, what nothing measured tests.

Numbers come from `evidence.findings`, worked out at the time of writing; the lists below them are words.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from riskmap.common import wording
from riskmap.evidence.measured import practice, timetable, trade
from riskmap.evidence.measured.comparison import ABSENT, AGREES, CANNOT, DISAGREES, ELSEWHERE
from riskmap.evidence.measured.comparisons import Finding, findings

HEAD = """# Evidence: riskmap against measured numbers

Written by `python notebooks/make_evidence.py` from the open data folder (`RISKMAP_OPEN_DATA`) and the code beside it;
do not edit. Ours are numbers of today's default settings, except where the setting says otherwise. Every second draw
of a run uses the monthly bucket, the others day steps; here one run without variation represents the default, by day
steps, and the bucket is listed beside it as the former driver (1h, 1i, 2g, 2h, 2j, 6e, 7c). A test keeps this
page equal to what the script writes now (tests/validation/test_evidence_page.py).

Beside every estimate in a product is written:

> {standing}

It is in the map, the brief on paper and on a phone, `explain`, the workbook, GeoJSON and KML, screening, change and
public tables, survey answers and the manifest; the bare tables (CSV, GeoPackage, GeoParquet) have it only in the
manifest beside them."""

HOW = """\
How to read the table. Tolerances were stated for each field case before today's settings were run; they
are wide because soil, climate or date is assumed at most sites. The mark r >= 0.7 of cases 1 and 2 is used for every
comparison of timing. Where the list gives words only ("within a factor of 2 in years", "little"), the table says how
they were taken. Letters are parts of a case, or the same case with another setting. `cannot tell` means that the
comparison decides nothing, whatever its figures; `measured elsewhere` that its figures come from a file that is not
among the open data and are only reported. "Abstract text" means that only an abstract was read, not the paper;
"quoted" that a third party quotes the number. No number was read off a figure, and no measured number in the table is
from memory."""

COLUMNS = ("case", "measured: figure, source", "how read", "our setting", "ours", "fair tolerance", "outcome", "remark")

PRACTICE = """\
How the slab of the model compares with what designers calculate. Nobody measured these figures: agreement says that the
section and the equations were understood, not that slabs bend so. They are not counted above. Tolerances were stated
first."""

TRADE = """\
What the Texas trade says of slabs on clay, as the model has it in eleven climate divisions: the edge of an old slab
is seldom above its middle; the middle is steady and the edge moves; after five to seven years the dome is there;
the drought of 2011 raised domes well above their mean; the season reaches about a metre in from the edge. Computed,
measured nowhere and not counted above. One slab of 12 m on even clay of 9 %, default diffusivity and depth, nothing
drawn; day steps first, the monthly bucket in brackets. A pour counts as wet or dry by the mean suction of the five
months up to it.
The pour decides the sign of bending in the first years: after a dry pour the edge lifts first and the dome follows. No
young house was measured, and a watered pad or a fill is not in the model, so these are probably upper figures."""

TIMETABLE = """\
The end of growth is a share of the final movement of the middle, not an age (notebooks/method.md, section 9.1); these
are the years that it takes. Computed, measured nowhere and not counted above. The slab and the ground of the last
table, by day steps. "Usual" is a slab that is poured on the mean ground of 1991-2020: its years hang on diffusivity,
depth and width alone, not on the weather, and are the same everywhere, because both were chosen so that the middle
takes six to seven years. Pours are those of all months of 1951-2020. After a pour in a wet month the middle has little
to rise, or comes down a little; its share is taken of the usual rise, and 0.0 years means that it rests from the
start."""

UNTESTED = """\
- **Slab deflection, and the share of the mound that the slab follows.** No measured slab was reached in any open
  text. Levels in two seasons, with the rib depth known and one point on open ground, would decide it: the slab's yearly
  swing over the ground's is .48, .38, .22, .13 at 9.4, 20, 40, 61 MN m2/m (computed).
- **Shape of the mound** under a slab, and the edge distance.
- **Time to the final dome of a slab.** The 6 to 7 years of the defaults are calibrated to trade experience; 80 %
  of the model runs of the example take 1.4 to 16 (median 5.3). The two measured times at hand are not of slabs on
  Texas clay: ours is too quick at one (8a) and agrees at the other (26).
- **Tilt**, and the difference between two sides.
- **Levels as built in Texas**, and any level survey of houses there before and after.
- **Early settlement** (8 mm in half a year): imposed.
- **Covered equilibrium suction**: fitted to one saying of the Texas trade (an old slab is edge-high in about 2 % of
  months), which is measured nowhere and is true of one ground only: over the model runs it is 3 to 12 %. Its spread
  (0.15 pF) is a third of the mean dome in north Texas and half of it in Mississippi and Alabama.
- **Which driver is right in size**: the spread of the day steps alone covers 25 % of the domes of eight measured
  years at one prairie site, half of each driver 62 % (notebooks/method.md, section 4).
- **Order of lots**: no set of houses with measured movement was reached, so the order rests on reasoning too.
- **Size in millimetres on any lot**: one road (6a to 6d) with an assumed clay is all there is.
- **Water content of the road's subgrade** (5 to 7 % variation): the model has suction, not water content.
- **Movement by trees** (Australian case histories, 150 mm down and 100 mm up; London, 8c): no trees in the core.
- **Irrigated, dry, frozen and cultivated ground.** Cases 1 and 2 are lawn and prairie in the sub-humid plains.
- Read, with no number that could be used: Amarillo (dry to wet, instruments stopped), a Winnipeg house survey, an
  Adelaide study of 2023 (tens of millimetres between parts of a site), Chaingy in France (ground radar agrees with
  extensometers), a clay embankment (felling stopped the seasonal movement at its crest), Kaufman and Denton
  Counties in Texas."""

WEAK = """\
- **Extensibility is assumed** at every site with movement. A different assumption turns agreement into disagreement
  (6b).
- **Proxy climates**: Upper Coast of Texas for Jackson, north-central Texas for College Station and Adelaide's long
  record, south-central Kansas for Manhattan in 1d to 1f.
- **Eleven variants of the driver were tried on two records** (Manhattan, Stillwater) and one was chosen; these
  are therefore no independent test of the former driver (1i, 2h), and differences of r below 0.05 mean nothing. The
  limits of the day steps were chosen for size at Manhattan, out of about 100 settings.
- **The day steps are worse at Stillwater** (2a against 2g); that is not explained.
- **Chosen after seeing**: the April start of 7a, the diffusivity of 8b, the definition of the equilibrium suction,
  the second level of suction in 5 (its form; no number in it was fitted), the lower end of the restraint that is drawn
  (19 and 20).
- **Two quantities are not the one modelled**: water content represents suction in 1 to 3; factory calibrations
  drift in clay. Relative wetness depends on its two end points.
- **Stillwater**: 24 values typed by hand, sensor depth not stated. **Manhattan**: soil not identified.
- **Dallas**: laboratory tests of total suction on developed and undeveloped lots; the median rests on a log-normal
  reading.
- **Signs and bounds are easy to meet**: College Station is a sign, Jackson an upper bound, Oklahoma a range of a
  factor of three.
- **Abstracts leave out what would decide**: soil indices, dates, the place of the level points. In 19 to 28 most are
  one sentence of an abstract; 19 infers a share from another quantity.
- **Tolerances of 19 to 28** were written before the script gave a figure, but figures of an earlier trial of the same
  equations were known then.
- **Reported only**: 22, 24 and 25 repeat statistics of files that may not be copied; nobody can check them here.
- **Temperature represents evapotranspiration**: Oudin in the day steps, Thornthwaite in the former driver, where the
  rain factor may hide its faults."""


CONCLUSION = """\
Timing of wet and dry is supported at two grass sites of the sub-humid plains, with weather of the place itself;
and over one year at 29 stations; the former driver, which half of the draws use, just misses the mark there in the
east and misses it clearly in the west. One movement is matched with an assumed clay. The level of suction is right in
one region and depth answers too late. The slab itself is untested, and so is the order of lots."""


def _cell(text: str) -> str:
    return text.replace("|", "/").replace("\n", " ").strip() or "-"


def _row(finding: Finding) -> str:
    c = finding.comparison
    measured = f"{finding.measured} [{finding.source}]" if finding.source not in ("", "-") else finding.measured
    cells = (f"**{c.number}** {c.name}", measured, finding.way_read, c.setting, finding.ours, finding.fair,
             f"**{finding.verdict}**", finding.remark)
    return "| " + " | ".join(_cell(cell) for cell in cells) + " |"


def table(rows: Sequence[Finding]) -> str:
    """Return the findings as one Markdown table, in their order."""
    return "\n".join(["| " + " | ".join(COLUMNS) + " |", "|" + "---|" * len(COLUMNS), *map(_row, rows)])


def counts(rows: Sequence[Finding]) -> dict[str, int]:
    """Return how many comparisons have each outcome."""
    return {name: sum(f.outcome == name for f in rows) for name in (AGREES, DISAGREES, CANNOT, ELSEWHERE, ABSENT)}


def _counted(rows: Sequence[Finding]) -> str:
    number = counts(rows)
    text = (f"{len(rows) - number[ELSEWHERE]} comparisons: {number[AGREES]} agree, {number[DISAGREES]} disagree, "
            f"{number[CANNOT]} cannot tell. They are not independent: several share a site, and some repeat a case "
            "with another setting.")
    if number[ELSEWHERE]:
        text += (f" {number[ELSEWHERE]} more were measured elsewhere, on files that are not among the open data: their "
                 "figures are reported, and they count neither as agreeing nor as disagreeing.")
    if number[ABSENT]:
        text += f" **{number[ABSENT]} were not computed because open data are absent; this page is not complete.**"
    return text


def fails(rows: Sequence[Finding]) -> str:
    """Return one line for each comparison that disagrees, with measured and our numbers."""
    by_number = {f.comparison.number: f for f in rows}
    lines = []
    for f in (f for f in rows if f.outcome == DISAGREES):
        first = f.measured.removeprefix("as ")
        measured = by_number[first].measured if first in by_number else f.measured
        tail = f" {f.remark[0].upper()}{f.remark[1:]}." if f.remark else ""
        lines.append(f"- **{f.comparison.number} {f.comparison.name}.** Measured: {measured}. "
                     f"Ours: {f.ours} ({f.comparison.setting}). Fair: {f.fair}.{tail}")
    return "\n".join(lines) or "None was found to disagree among those computed."


def page(open_data: Path) -> str:
    """Return the whole page; what lacks its data says so in place of a number."""
    rows = findings(open_data)
    parts = [HEAD.format(standing=wording.STANDING), "## Comparisons", HOW, _counted(rows), table(rows),
             "## Beside design practice, not measured", PRACTICE, practice.table(),
             "## What the trade says, computed", TRADE, trade.table(open_data),
             "## How long the middle rises, computed", TIMETABLE, timetable.table(open_data),
             "## Fails, plainly", fails(rows), "## Not tested by anything measured", UNTESTED,
             "## Weak spots of these comparisons", WEAK, "## What follows from it",
             f"> {wording.STANDING}", CONCLUSION]
    return "\n\n".join(parts) + "\n"
