"""Text as values: what is read, what is refused, and with which words."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan import columns
from vaultplan.errors import BadRow
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.reading import Reading
from vaultplan.intake.values import read_values, tidy

COLUMNS = {
    "real": columns.real("depth_in", "depth", "in"),
    "integer": columns.integer("socks_used", "socks"),
    "boolean": columns.flag("has_sheen", "sheen"),
    "date": columns.date("due_on", "due"),
    "time": columns.time("visited_at", "when"),
    "clock": columns.clock("open_from", "opens"),
    "words": columns.words("days", "days"),
    "text": columns.text("notes", "notes"),
}


def read(kind: str, *written: str | None, **how: str) -> tuple[list[object], tuple[BadRow, ...]]:
    book = FindingBook()
    raw = tidy(pd.Series(list(written), dtype="str", index=range(2, 2 + len(written))))
    values = read_values(COLUMNS[kind], raw, Reading(**how), book)
    assert str(values.dtype) == columns.FRAME_DTYPES[COLUMNS[kind].type]
    assert values.index.equals(raw.index)
    return [None if pd.isna(value) else value for value in values], book.faults()


def refused(kind: str, written: str, **how: str) -> str:
    values, faults = read(kind, written, **how)
    assert values == [None]
    (fault,) = faults
    assert (fault.row, fault.column, fault.value) == (2, COLUMNS[kind].name, written)
    return f"{fault.fault}; {fault.remedy}"


@pytest.mark.parametrize("kind", COLUMNS)
def test_blank_stays_blank_and_is_no_fault(kind):
    assert read(kind, None, "", "   ") == ([None, None, None], ())


@pytest.mark.parametrize(
    ("written", "value"),
    [("12", 12.0), (" +1.5 ", 1.5), (".5", 0.5), ("5.", 5.0), ("1e3", 1000.0), ("-0.1", -0.1)],
)
def test_numbers(written, value):
    assert read("real", written) == ([value], ())


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_comes_back_exactly(value):
    assert read("real", repr(value)) == ([value], ())


@given(st.integers(-(10**15) + 1, 10**15 - 1))
def test_every_whole_number_comes_back_exactly(value):
    assert read("integer", str(value)) == ([value], ())


@pytest.mark.parametrize(
    ("kind", "written", "told"),
    [
        ("real", "1,234", "thousands separators; take them out"),
        ("real", "-12,345,678.9", "thousands separators"),
        ("integer", "1,234", "thousands separators"),
        ("real", "2,5", "decimal comma; write a decimal point"),
        (
            "real",
            "48 in",
            "is not a number \\(in\\) but has a unit behind it; write the number alone",
        ),
        ("real", "deep", "is not a number \\(in\\); write digits only"),
        ("real", "nan", "not a number"),
        ("real", "inf", "not a number"),
        ("real", "0x10", "not a number"),
        ("real", "1e999", "too large"),
        ("integer", "2.5", "not a whole number"),
        ("integer", "two", "is not a number"),
        ("integer", "1" * 16, "not a whole number"),
        ("boolean", "maybe", "neither yes nor no"),
        ("boolean", "2", "neither yes nor no"),
        ("clock", "24:00", "not a time of day"),
        ("clock", "7.30", "not a time of day"),
        ("clock", "07:30:15", "not a time of day"),
        ("date", "2023-02-29", "is not a day; write YYYY-MM-DD"),
        ("date", "1/5/2024", "is not a day"),
        ("date", "2024-01-05T09:30:00Z", "a moment within a day"),
        ("time", "2024-01-05", "is not a time"),
        ("time", "2024-01-05T25:00:00Z", "is not a time"),
        ("time", "2024-01-05T09:30:00", 'no time zone; .* time_zone = "UTC"'),
        ("time", "yesterday", "is not a time"),
    ],
)
def test_what_is_refused_and_why(kind, written, told):
    assert pd.Series([refused(kind, written)]).str.contains(told).all()


def test_whole_numbers_may_have_an_empty_fraction():
    assert read("integer", "12.0", "3.") == ([12, 3], ())


def test_yes_and_no():
    assert read("boolean", "true", "YES", "1", "y", "False", "no", "0", "N") == (
        [True] * 4 + [False] * 4,
        (),
    )


def test_time_of_day():
    assert read("clock", "7:30", "07:30", "23:59:00", "00:00") == (
        ["07:30", "07:30", "23:59", "00:00"],
        (),
    )


def test_words():
    assert read("words", "mon ; tue;wed;", "none")[0] == ["mon;tue;wed", "none"]


def test_days():
    day = pd.Timestamp("2024-02-29")
    written = ("2024-02-29", "2024/02/29", "2024-02-29T00:00:00", "2024-02-29 00:00:00+00:00")
    assert read("date", *written) == ([day] * 4, ())
    assert read("date", "02/29/2024", date_format="%m/%d/%Y") == ([day], ())
    assert "date_format" in refused("date", "2024-02-29", date_format="%m/%d/%Y")


def test_a_days_midnight_told_in_utc_is_that_local_day():
    found = read("date", "2024-02-29T10:00:00Z", local_zone="Pacific/Honolulu")
    assert found == ([pd.Timestamp("2024-02-29")], ())


def test_times_with_an_offset():
    at = pd.Timestamp("2024-01-05T17:30:00Z")
    written = (
        "2024-01-05T17:30:00Z",
        "2024-01-05 09:30-08:00",
        "2024/01/05 09:30:00.000-0800",
        "2024-01-05T09:30:00 -08",
    )
    assert read("time", *written) == ([at] * 4, ())


def test_local_times_need_a_zone_and_know_summer_time():
    zone = "America/Los_Angeles"
    values, faults = read("time", "2024-01-05T09:30", "2024-07-05 09:30:00", file_zone=zone)
    assert values == [
        pd.Timestamp("2024-01-05T17:30:00Z"),
        pd.Timestamp("2024-07-05T16:30:00Z"),
    ]
    assert faults == ()
    for written in ("2024-11-03T01:30", "2024-03-10T02:30"):
        assert f"happens twice or never in {zone}" in refused("time", written, file_zone=zone)


def test_times_of_a_stated_form():
    form = "%m/%d/%Y %I:%M %p"
    zone = "Pacific/Honolulu"
    at = pd.Timestamp("2024-01-05T19:30:00Z")
    assert read("time", "01/05/2024 09:30 AM", time_format=form, file_zone=zone) == ([at], ())
    assert "no time zone" in refused("time", "01/05/2024 09:30 AM", time_format=form)
    assert "stated form" in refused("time", "2024-01-05", time_format=form, file_zone=zone)
    assert read("time", "01/05/2024 09:30 AM -1000", time_format=form + " %z") == ([at], ())


def test_faults_do_not_spoil_their_neighbours():
    values, faults = read("real", "1", "x", None, "1,000", "2")
    assert values == [1.0, None, None, None, 2.0]
    assert [fault.row for fault in faults] == [3, 5]


def test_some_times_with_and_some_without_offset():
    values, faults = read("time", "2024-01-05T09:30", "2024-01-05T09:30Z", "x", None)
    assert values == [None, pd.Timestamp("2024-01-05T09:30Z"), None, None]
    assert [fault.row for fault in faults] == [2, 4]
