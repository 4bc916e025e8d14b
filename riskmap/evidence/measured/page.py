"""The evidence page in Markdown: what was compared with measurements, what fails, and what no measurement tests.

Its values come from `comparisons.findings` and are computed when the page is written; the lists below them are text.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from riskmap.common import wording
from riskmap.evidence.measured import practice, timetable, trade
from riskmap.evidence.measured.comparison import ABSENT, AGREES, CANNOT, DISAGREES, ELSEWHERE
from riskmap.evidence.measured.comparisons import Finding, findings

HEAD = """# Evidence: riskmap against measured numbers

`python notebooks/make_evidence.py` writes this page from the open data folder (`RISKMAP_OPEN_DATA`) and the code
beside it; do not edit it. Our figures are those of today's default settings, except where the setting says otherwise.
In a run, every second model run uses the monthly bucket, and the others use day steps. Here a single run without
variation, by day steps, represents the default; the monthly bucket, the former driver, is listed separately (1h, 1i,
2g, 2h, 2j, 6e, 7c). A test checks that this page is what the script writes now
(tests/validation/test_evidence_page.py).

Every product says next to its estimates:

> {standing}

This sentence is in the map, the brief on paper and on a phone, `explain`, the workbook, GeoJSON and KML, the tables
of screenings, changes and publications, the answers to surveys, and the manifest. For the bare tables (CSV,
GeoPackage, GeoParquet) it is only in the manifest of the run."""

HOW = """\
How to read the table. The tolerance of each field case was stated before today's settings were run. Tolerances are
wide because soil, climate or date is assumed at most sites. Every comparison of timing uses the mark r >= 0.7 of
cases 1 and 2. Where a tolerance was stated only in words ("within a factor of 2 in years", "little"), the table says
how the words were understood. Letters are parts of a case, or the same case with another setting. `cannot tell` means
that the comparison decides nothing, whatever its figures. `measured elsewhere` means that its figures come from a
file that is not among the open data; they are only reported. "Abstract text" means that only the abstract of a paper
was read; "quoted" means that a third party quotes the figure. No figure was read off a picture, and no measured
figure in the table is from memory."""

COLUMNS = ("case", "measured: figure, source", "how read", "our setting", "ours", "fair tolerance", "outcome", "remark")

PRACTICE = """\
This part compares the slab of the model with what designers calculate. Nobody measured these figures. Agreement means
that the section and the equations were understood, not that slabs really bend like this. The comparisons are not
counted above. Their tolerances were stated first."""

TRADE = """\
This part compares what the Texas trade says about slabs on clay with what the model gives in eleven climate
divisions. Practitioners say that the edge of an old slab is seldom above its middle; that the middle is steady and the
edge moves; that the dome is complete after five to seven years; that the drought of 2011 raised domes well above
their mean; and that the seasons reach about a metre in from the edge. The figures are computed and were measured
nowhere, and they are not counted above. They are for one slab of 12 m on even clay of 9 %, with the default
diffusivity and depth and without variation. Figures for day steps come first, those for the monthly bucket in
brackets. A pour counts as wet or dry by the mean suction of the five months up to it. The weather before the pour
decides in which direction the slab bends in the first years: after a dry pour the edge lifts first and the dome
follows. No young house was measured, and a watered pad or a fill is not in the model, so these are probably upper
figures."""

TIMETABLE = """\
The end of growth is a share of the final movement of the middle, not an age (notebooks/method.md, section 9.1); this
table gives the years until it is reached. The years are computed and were measured nowhere, and they are not counted
above. The slab and the ground are those of the last table, by day steps. "Usual" means a slab that is poured on the
mean ground of 1991-2020. Its years depend only on diffusivity, depth and width, not on the weather, and are the same
everywhere, because diffusivity and depth were chosen so that the middle takes six to seven years. The pours are those
of all months of 1951-2020. After a pour in a wet month the middle has little to rise, or comes down a little. Its
share is then taken of the usual rise, and 0.0 years means that it rests from the start."""

UNTESTED = """\
- **Slab deflection, and the share of the mound that the slab follows.** No open text that we found gives a measured
  slab. Levels in two seasons, with the rib depth known and one point on open ground, would decide it: the ratio of
  the slab's yearly swing to the ground's is .48, .38, .22, .13 at 9.4, 20, 40, 61 MN m2/m (computed).
- **Shape of the mound** under a slab, and the edge distance.
- **Time to the final dome of a slab.** The 6 to 7 years of the defaults are calibrated to trade experience; 80 % of
  the model runs of the example take 1.4 to 16 years (median 5.3). The two measured times that we have are not of
  slabs on Texas clay: the model is too quick for one (8a) and agrees with the other (26).
- **Tilt**, and the difference between two sides.
- **Levels as built in Texas**, and any level survey of houses there before and after.
- **Early settlement** (8 mm in half a year): this is imposed.
- **Covered equilibrium suction**: this is fitted to one saying of the Texas trade (an old slab is edge-high in about
  2 % of months). The saying was measured nowhere and is true of one ground only: over the model runs it is 3 to 12 %.
  Its spread (0.15 pF) is a third of the mean dome in north Texas and half of it in Mississippi and Alabama.
- **Which driver is right in size**: the spread of the day steps alone covers 25 % of the domes of eight measured
  years at one prairie site; with each driver in half of the model runs it covers 62 % (notebooks/method.md, section
  4).
- **Order of lots**: we found no set of houses with measured movement, so the order too rests on reasoning.
- **Size in millimetres on any lot**: there is only one road (6a to 6d), with an assumed clay.
- **Water content of the road's subgrade** (5 to 7 % variation): the model computes suction, not water content.
- **Movement by trees** (Australian case histories, 150 mm down and 100 mm up; London, 8c): the model has no trees.
- **Irrigated, dry, frozen and cultivated ground.** Cases 1 and 2 are a lawn and a prairie in the sub-humid plains.
- These were read and gave no usable figure: Amarillo (dry to wet, instruments stopped), a Winnipeg house survey, an
  Adelaide study of 2023 (tens of millimetres between parts of a site), Chaingy in France (ground radar agrees with
  extensometers), a clay embankment (felling stopped the seasonal movement at its crest), Kaufman and Denton Counties
  in Texas."""

WEAK = """\
- **Extensibility is assumed** at every site where movement was measured. Another assumption turns agreement into
  disagreement (6b).
- **Proxy climates** are used: the Upper Coast of Texas for Jackson, north-central Texas for College Station and
  Adelaide's long record, south-central Kansas for Manhattan in 1d to 1f.
- **Eleven variants of the driver were tried on two records** (Manhattan, Stillwater) and one was chosen. These
  records are therefore no independent test of the former driver (1i, 2h), and differences of r below 0.05 mean
  nothing. The limits of the day steps were chosen for size at Manhattan, out of about 100 settings.
- **The day steps are worse at Stillwater** (2a against 2g). This is not explained.
- **Chosen after seeing the data**: the April start of 7a, the diffusivity of 8b, the definition of the equilibrium
  suction, the second level of suction in 5 (its form; no figure in it was fitted), and the lower end of the range of
  the restraint (19 and 20).
- **Two quantities are not the one that is modelled**: in 1 to 3 water content represents suction, and factory
  calibrations drift in clay. Relative wetness depends on its two end points.
- **Stillwater**: 24 values were typed by hand, and the depth of the sensor is not stated. **Manhattan**: the soil is
  not identified.
- **Dallas**: these are laboratory tests of total suction on developed and undeveloped lots, and the median assumes a
  log-normal distribution.
- **Signs and bounds are easy to meet**: College Station gives only a sign, Jackson an upper bound, and Oklahoma a
  range of a factor of three.
- **Abstracts leave out what would decide**: soil indices, dates, the place of the level points. Most of the cases 19
  to 28 are one sentence of an abstract; 19 infers a share from another quantity.
- **The tolerances of 19 to 28** were written before the script gave a figure, but the figures of an earlier trial of
  the same equations were known then.
- **Reported only**: 22, 24 and 25 repeat statistics of files that may not be copied; nobody can check them here.
- **Temperature represents evapotranspiration**: by Oudin in the day steps, by Thornthwaite in the former driver,
  where the rain factor may hide its faults."""


CONCLUSION = """\
The timing of wet and dry is supported at two grass sites of the sub-humid plains, with the weather of the place
itself, and over one year at 29 stations. There the former driver, which half of the model runs use, just misses the
mark in the east and misses it clearly in the west. One movement is matched, with an assumed clay. The level of
suction is right in one region. At depth the model responds too late. The slab itself is untested, and so is the order
of lots."""


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
    """Return one line for each comparison that disagrees, with the measured value and ours."""
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
    """Return the whole page; where data are missing it says so instead of giving a value."""
    rows = findings(open_data)
    parts = [HEAD.format(standing=wording.STANDING), "## Comparisons", HOW, _counted(rows), table(rows),
             "## Beside design practice, not measured", PRACTICE, practice.table(),
             "## What practitioners say, computed", TRADE, trade.table(open_data),
             "## How long the middle rises, computed", TIMETABLE, timetable.table(open_data),
             "## Fails, plainly", fails(rows), "## Not tested by anything measured", UNTESTED,
             "## Weak spots of these comparisons", WEAK, "## What follows from it",
             f"> {wording.STANDING}", CONCLUSION]
    return "\n\n".join(parts) + "\n"
