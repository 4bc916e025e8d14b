"""Pour dates: months between which a slab was poured; today is October 2025."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from riskmap.common.month_numbers import month_name, parse_month
from riskmap.lots.pour_date import windows

TODAY = parse_month("2025-10")


def window(**columns):
    found = windows(pd.DataFrame({k: [v] for k, v in columns.items()}), 1950, TODAY)
    rule = " ".join(r[0] for r in found.refused.values()).strip()
    return month_name(found.early[0]), month_name(found.late[0]), found.basis[0], bool(found.clipped[0]), rule


@pytest.mark.parametrize(("text", "early", "late", "basis"), [
    ("1987", "1987-01", "1987-12", "year"), ("1987.0", "1987-01", "1987-12", "year"),
    (" 1987 ", "1987-01", "1987-12", "year"), ("1987-05", "1987-05", "1987-05", "month"),
    ("1987-05-02", "1987-05", "1987-05", "date"), ("1987-05-02 00:00:00", "1987-05", "1987-05", "date"),
    ("1987-05-02T00:00:00Z", "1987-05", "1987-05", "date"), ("1985/1988", "1985-01", "1988-12", "range"),
    ("1985-03 / 1988-04", "1985-03", "1988-04", "range"), ("2000-02-29", "2000-02", "2000-02", "date"),
    ("1850", "1850-01", "1850-12", "year"),
])
def test_accepted_forms(text, early, late, basis):
    assert window(pour_date=text) == (early, late, basis, False, "")


@pytest.mark.parametrize("text", [
    "0", "9999", "~1987", "c. 1987", "about 1987", "text", "87", "1849", "2036", "01/02/2003", "1/1/1", "2.5.1987",
    "1987-13", "1987-00", "1987-02-30", "1900-02-29", "1988/1985", "1985/1986/1987", "1987.5", "-1987", "31048", "1e3",
    "1987-5", "19870502", "１９８７", "nineteen", "1987-05-02 13:00:00", "1987\n1988", "/", "1987/", "/1987",
])
def test_what_cannot_be_read_is_told_and_unknown(text):
    early, late, basis, clipped, rule = window(pour_date=text)
    assert (early, late, basis, clipped) == ("1950-01", "2025-09", "none", False)
    assert rule != ""


@pytest.mark.parametrize("text", ["", "NA", "None", "unknown", "n/a", None, np.nan])
def test_missing_is_unknown_without_a_finding(text):
    assert window(pour_date=text) == ("1950-01", "2025-09", "none", False, "")


def test_no_column_at_all_is_unknown():
    assert window(lot_id="1") == ("1950-01", "2025-09", "none", False, "")


def test_a_window_that_reaches_today_is_cut():
    assert window(pour_date="2025") == ("2025-01", "2025-09", "year", True, "")


def test_a_window_that_begins_today_or_later_is_kept():
    assert window(pour_date="2025-10") == ("2025-10", "2025-10", "month", False, "")
    assert window(pour_date="2026") == ("2026-01", "2026-12", "year", False, "")


def test_early_and_late_describe_the_doubt():
    assert window(pour_date="1987", pour_date_early="1985", pour_date_late="1989-06")[:3] == \
        ("1985-01", "1989-06", "range")
    assert window(pour_date_early="1985")[:3] == ("1985-01", "2025-09", "range")
    assert window(pour_date_late="1985")[:3] == ("1950-01", "1985-12", "range")
    assert window(pour_date_late="1940")[:3] == ("1940-12", "1940-12", "range")


def test_early_after_late_falls_back_to_the_date():
    early, late, basis, _, rule = window(pour_date="1987", pour_date_early="1990", pour_date_late="1985")
    assert (early, late, basis) == ("1987-01", "1987-12", "year")
    assert "before" in rule


def test_effective_year_is_refused():
    early, late, basis, _, rule = window(pour_date="1995", pour_date_basis="Effective Year")
    assert (early, late, basis) == ("1950-01", "2025-09", "none")
    assert "effective year" in rule


def test_recorded_events_before_or_after_the_pour_widen_the_window():
    assert window(pour_date="2003-04-10", pour_date_basis="slab inspection")[:3] == ("2003-04", "2003-04", "date")
    assert window(pour_date="2003-04-10", pour_date_basis="building permit")[:3] == ("2003-04", "2003-10", "range")
    assert window(pour_date="2003-04", pour_date_basis="Certificate of Occupancy")[:3] == \
        ("2002-04", "2003-02", "range")
    assert window(pour_date="2025-08", pour_date_basis="permit")[:4] == ("2025-08", "2025-09", "range", True)


def test_unknown_basis_keeps_the_date_and_is_told():
    early, late, basis, _, rule = window(pour_date="1987", pour_date_basis="hearsay")
    assert (early, late, basis) == ("1987-01", "1987-12", "year")
    assert "known ones" in rule
