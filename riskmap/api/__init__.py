"""The commands as functions: same names, same defaults, same files. They print nothing and return what was found.

`riskmap.estimate(...)` and `riskmap.api.estimate(...)` are the same. Lengths are in m, movements in mm (up positive),
suction in pF, whatever `units` says, because `units` only decides what pages show. The columns of a table of lots, with
unit, range and meaning, are in `riskmap.tables.ESTIMATE` and in the `columns.json` of every run. Write `lots["flags"]`
for its flags, because `lots.flags` is an attribute of every DataFrame. The method and the source of every constant are
in notebooks/method.md. A wrong input raises a `RiskmapError` whose text names the file, row and column, the rule and
what to do.

The examples run from the project's folder on layers/example, whose town is invented. In them, `outputs` is a folder
with two runs of it: one as of September 2025 (`area_september.toml`), then one with all data (`area.toml`).
"""

from __future__ import annotations

from riskmap.api.calibrations import CalibrationSaid, calibration_said
from riskmap.api.codes import explain_code
from riskmap.api.evidence import selftest
from riskmap.api.lists import AnsweredList, ListColumns, OpenRow, answered_list, choose_lots, list_columns
from riskmap.api.lots import explain, lot_texts, name_note, one_lot, rows_of
from riskmap.api.maps import basemap, map_files, map_server
from riskmap.api.network import Download, fetch, newer_weeks
from riskmap.api.overview import FinishedRun, finished_runs, five_numbers, lot_columns
from riskmap.api.papers import brief, calibrate, export, map, screen
from riskmap.api.runs import (
    check,
    compare,
    demo,
    ending,
    estimate,
    example,
    findings_csv,
    newness,
    read,
    verify,
)
from riskmap.api.series import measured
from riskmap.api.shared import Outcome
from riskmap.api.start import new
from riskmap.api.surveys import survey, typed_readings

__all__ = ["AnsweredList", "CalibrationSaid", "Download", "FinishedRun", "ListColumns", "OpenRow", "Outcome",
           "answered_list", "basemap", "brief", "calibrate", "calibration_said", "check", "choose_lots", "compare",
           "demo", "ending", "estimate", "example", "explain", "explain_code", "export", "fetch", "findings_csv",
           "finished_runs", "five_numbers", "list_columns", "lot_columns", "lot_texts", "map", "map_files",
           "map_server", "measured", "name_note", "new", "newer_weeks", "newness", "one_lot", "read", "rows_of",
           "screen", "selftest", "survey", "typed_readings", "verify"]
