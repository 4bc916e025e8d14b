"""Read everything an area names, compute nothing, and report what is wrong: one line per finding, counts that add up.

It is the counterpart of `assess`: it knows the readers and the cleaning of lots, but no later stage. Nothing here uses
a network.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import month_numbers, tables
from riskmap.common import settings as area_file
from riskmap.common.errors import LayerError, SettingsError, counted, visible
from riskmap.common.problems import Problem
from riskmap.common.problems import lines as told_lines
from riskmap.common.version import __version__

if TYPE_CHECKING:
    from riskmap.common.inputs import Source
    from riskmap.common.settings import Area

FINDING = ("file", "row", "column", "value", "rule", "remedy", "action", "code")  # columns of a table of findings
FILE_ROLES = ("lots", "soil", "climate", "drought")


@dataclass
class Report:
    """The result of a check.

    Attributes
    ----------
    name : str
        Area or file that was checked.
    refusals : list of str
        Findings that stop a run.
    problems : list of Problem
        Findings about rows and values, in the order of reading.
    sources : list of Source
        What was read, with row counts.
    today : str
        The present month of an area, YYYY-MM; empty when it is not known.
    newest_data : dict
        Newest month or map of each kind of weather data.
    lots : dict
        read, usable, and one entry per state; usable and states add up to read. Empty when no lots were read. A usable
        lot goes on to the estimate, which may still find no soil or weather for it.
    without_pour_date : int
        Number of usable lots without a pour date that can be used.
    """

    name: str
    refusals: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    lots: dict[str, int] = field(default_factory=dict)
    today: str = ""
    newest_data: dict[str, str] = field(default_factory=dict)
    without_pour_date: int = 0

    @property
    def exit_code(self) -> int:
        """0 when every lot goes on to the estimate, 1 when some have a state, 2 when a run would be refused.

        Findings do not count.
        """
        if self.refusals:
            return 2
        return int(self.lots.get("read", 0) != self.lots.get("usable", 0))

    def text(self) -> str:
        """Return the report for people."""
        from riskmap.climate import freshness

        lines = [*self.refusals, *told_lines(self.problems)]
        lines += [""] if lines else []
        lines += [f"{source.role}: {source.path.name}, {source.rows:,} rows"
                  + (f", {source.valid_date}" if source.valid_date else "") for source in self.sources]
        if self.today:
            lines.append(freshness.standing(self.today, self.newest_data))
        if self.lots:
            states = [f"  {count:,} {tables.STATES[name]} ({name})" for name, count in self.lots.items()
                      if name not in ("read", "usable")]
            undated = f"{self.without_pour_date:,} of them without a pour date; " if self.without_pour_date else ""
            lines += ["", f"{self.lots['read']:,} lots read, {self.lots['usable']:,} to be estimated ({undated}some "
                          "may still lack soil or weather)", *states]
        verdict = ("A run would be refused." if self.refusals else "A run can start; nothing was computed."
                   if self.sources else "Nothing was read.")
        counts = f"{counted(len(self.refusals), 'refusal')}, {counted(len(self.problems), 'finding')}"
        return "\n".join([*lines, f"{counts}: {self._kinds()}. {verdict}"])

    def _kinds(self) -> str:
        """Return the findings by what was done, so that an `E-` on a row is not taken for a refusal."""
        set_aside = sum(problem.code.startswith("E-") for problem in self.problems)
        return (f"{set_aside} with a value or row set aside (E-), {len(self.problems) - set_aside} used with a caution "
                "(W-)")

    def as_csv(self) -> str:
        """Return the findings as a table for a spreadsheet, as `findings_csv` writes it."""
        return findings_csv([problem.as_dict() for problem in self.problems])

    def as_json(self) -> str:
        """Return the report for programs."""
        return json.dumps({
            "riskmap": __version__, "name": self.name, "refusals": self.refusals,
            "problems": [problem.as_dict() for problem in self.problems], "lots": self.lots,
            "today": self.today, "newest_data": self.newest_data,
            "without_pour_date": self.without_pour_date,
            "sources": [{"role": s.role, "path": s.path.name, "rows": s.rows, "valid_date": s.valid_date}
                        for s in self.sources], "exit_code": self.exit_code,
        }, indent=1, ensure_ascii=False, default=str)


def findings_csv(problems: Sequence[Mapping[str, Any]]) -> str:
    """Return findings as CSV text, guarded against formulas, one row each; texts are as messages show them.

    Parameters
    ----------
    problems : sequence of mapping
        As `Problem.as_dict` returns them. A finding about a whole file has no row.
    """
    import pandas as pd

    from riskmap.outputs.files import csv_table

    texts = {name: [visible(str(one[name])) for one in problems] for name in FINDING if name != "row"}
    rows = pd.Series([one["row"] for one in problems], dtype="Int64")
    table = pd.DataFrame({name: rows if name == "row" else pd.Series(texts[name], dtype="str") for name in FINDING})
    return csv_table.text_of(table, numbers_stay=True)


def check_area(path: Path) -> Report:
    """Check every layer of an area file and clean its lots.

    In a run, a lot can still get a state from soil or climate, but that is known only after the shares are computed.
    """
    from riskmap.layers.catalogue import read_each, soil_box

    try:
        area = area_file.load(path)
    except SettingsError as error:
        return Report(path.name, refusals=str(error).splitlines())
    attempt = read_each(area)
    report = Report(area.name, attempt.refusals, attempt.problems, attempt.sources)
    if area.climate is None:
        report.refusals.append("E-CLI-080 area file: there is no [climate] entry; monthly rain and temperature are "
                               "needed.")
    today = _now(report, attempt.tables, area)
    report.refusals += area_file.against_today(area, today) if report.today else []
    if "lots" in attempt.tables:
        _clean(report, attempt.tables["lots"], area, today, soil_box(attempt.tables.get("soil")),
               attempt.tables.get("buildings"))
    return report


def _now(report: Report, layers: dict[str, Any], area: Area) -> int:
    """Return the present month and report how new the data are; the clock's month when the area has none."""
    from riskmap import climate
    from riskmap.climate import freshness

    weather, maps, index = layers.get("climate"), layers.get("drought"), layers.get("index", ())
    try:
        today = climate.present_month(weather, maps, index, area.today)
    except LayerError:  # the refusals say which layer is missing
        return _this_month()
    report.today, report.newest_data = month_numbers.month_name(today), freshness.newest_dates(weather, maps, index)
    report.problems += freshness.map_findings(weather, maps, today)
    return today


def check_file(path: Path, role: str, columns: dict[str, str] | None = None) -> Report:
    """Check one file as `lots`, `soil`, `climate` or `drought`; `columns` maps our columns of lots to the file's.

    Weather is checked in all its cells and without their latitude, which only an area gives.
    """
    from riskmap.layers.catalogue import read_each

    if role == "climate":
        return _check_weather(path)
    entries: dict[str, dict[str, Any]] = {"lots": {"path": "-"}, "soil": {"path": "-"}, role: {"path": path.resolve()}}
    entries["lots"] |= {"columns": columns or {}}
    area = area_file.Area.model_validate({"name": "one file", **entries})
    attempt = read_each(area, (role,))
    report = Report(path.name, attempt.refusals, attempt.problems, attempt.sources)
    if "lots" in attempt.tables:
        _clean(report, attempt.tables["lots"], area, _this_month())
    return report


def _check_weather(path: Path) -> Report:
    from riskmap.layers import climate_area

    try:
        source, problems = climate_area.check_one(path.resolve(), Path(path.name))
    except LayerError as error:
        return Report(path.name, str(error).splitlines(), error.problems)
    return Report(path.name, [], problems, [source])


def _this_month() -> int:
    now = datetime.date.today()
    return month_numbers.month_number(now.year, now.month)


def _clean(report: Report, raw: Any, area: Area, today: int, coverage: Any = None,
           buildings: Any = None) -> None:
    from riskmap import lots
    from riskmap.lots import assumptions

    file = area.lots.path.name
    table, problems = lots.clean(raw, area.lot_settings, area.crs, today, file, coverage, buildings)
    report.problems += [*assumptions.problems(raw, table, area.lot_settings, today, file), *problems]
    report.without_pour_date = int(((table["state"] == "") & (table["pour_date_basis"] == "none")).sum())
    states = table.loc[table["state"] != "", "state"].value_counts().sort_index()
    report.lots = {"read": len(raw), "usable": int((table["state"] == "").sum()),
                   **{str(name): int(count) for name, count in states.items()}}
