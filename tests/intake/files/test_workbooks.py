"""Workbooks as spreadsheets and libraries write them: values, numbering, and files to refuse."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake import count_rows, layers_of, read_chunks

SHEET = "xl/worksheets/sheet1.xml"
VAULTS = [("vault_id", "depth_ft"), ("007", 8.0), ("008", 6.5)]


def make(path: Path, **sheets: list[tuple[object, ...]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def whole(path: Path, **options: object) -> pd.DataFrame:
    return pd.concat([chunk.frame for chunk in read_chunks(path, **options)])


def changed(path: Path, part: str, *swaps: tuple[bytes, bytes]) -> Path:
    """Write the workbook anew with one of its parts changed by hand."""
    with zipfile.ZipFile(path) as source:
        parts = {name: source.read(name) for name in source.namelist()}
    for old, new in swaps:
        assert old in parts[part]
        parts[part] = parts[part].replace(old, new)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in parts.items():
            target.writestr(name, content)
    return path


def test_every_kind_of_cell_reads_back_as_its_value(tmp_path):
    path = tmp_path / "t.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        day = book.add_format({"num_format": "[$-409]d-mmm-yy"})
        moment = book.add_format({"num_format": "dd/mm/yyyy hh:mm"})
        clock, span = (book.add_format({"num_format": f}) for f in ("h:mm AM/PM", "[h]:mm"))
        days = book.add_format({"num_format": '0.0 "days"'})
        cells = [
            (7.0, None, "7"),
            (0.1, None, "0.1"),
            (1234567890123456, None, "1234567890123456"),
            (2.5, days, "2.5"),
            ("007", None, "007"),
            ("first\r\nsecond", None, "first\r\nsecond"),
            (True, None, "true"),
            (dt.date(2024, 1, 2), day, "2024-01-02"),
            (dt.datetime(2024, 1, 2, 3, 4, 5), moment, "2024-01-02T03:04:05"),
            (dt.datetime(2024, 1, 2), moment, "2024-01-02T00:00:00"),
            (dt.datetime(2024, 1, 2, 3, 4), day, "2024-01-02T03:04:00"),
            (dt.time(14, 30), clock, "14:30"),
            (dt.timedelta(hours=26, minutes=5), span, "26:05"),
            (-1, day, "-1"),
            (99_999_999, day, "99999999"),
        ]
        for column, (value, style, _) in enumerate(cells):
            sheet.write(0, column, f"c{column}")
            sheet.write(1, column, value, style)
        sheet.write(0, len(cells), "sum")
        sheet.write_formula(1, len(cells), "=1+1", None, 2)
        sheet.write(0, len(cells) + 1, "lost")
        sheet.write_formula(1, len(cells) + 1, "=#REF!", None, "#REF!")
    assert whole(path).loc[2].tolist() == [text for _, _, text in cells] + ["2", "#REF!"]


def test_a_formula_whose_stored_value_is_no_text_is_a_blank(tmp_path):
    path = make(tmp_path / "t.xlsx", s=[("a", "b"), (1, '=""')])
    changed(path, SHEET, (b'<c r="B2"', b'<c r="B2" t="str"'))
    assert pd.isna(whole(path).loc[2, "b"])


def test_a_workbook_that_counts_days_from_1904(tmp_path):
    path = tmp_path / "t.xlsx"
    with xlsxwriter.Workbook(path, {"date_1904": True}) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["on", "x"])
        sheet.write_datetime(1, 0, dt.date(2024, 1, 2), book.add_format({"num_format": "yyyy/m/d"}))
    assert whole(path).loc[2, "on"] == "2024-01-02"


def test_titles_are_passed_over_and_rows_keep_the_spreadsheets_numbers(tmp_path):
    rows = [("Saltmarrow, invented",), (), *VAULTS[:2], (), (None, None), VAULTS[2], ("009",)]
    path = make(tmp_path / "t.xlsx", Sheet1=rows)
    (chunk,) = read_chunks(path)
    assert chunk.frame.columns.tolist() == ["vault_id", "depth_ft"]
    assert chunk.frame.index.tolist() == [4, 7, 8]
    assert (chunk.size, chunk.blank) == (5, 2)
    singly = list(read_chunks(path, chunk_rows=1))
    assert [row for one in singly for row in one.frame.index] == [4, 7, 8]
    assert sum(one.blank for one in singly) == 2
    assert count_rows(path) == 5


def test_a_value_beside_the_header_is_a_misfit_and_not_lost(tmp_path):
    rows = [("id", None, "depth_ft"), ("1", "x", 2), (None, "only"), ("3", None, 4, None, 'a, "b"')]
    (chunk,) = read_chunks(make(tmp_path / "t.xlsx", s=rows))
    assert chunk.frame.fillna("").to_dict("index") == {
        2: {"id": "1", "(column B)": "x", "depth_ft": "2"},
        3: {"id": "", "(column B)": "only", "depth_ft": ""},
    }
    assert chunk.misfits == (
        (4, '3,,4,,"a, ""b"""', "the row has a value in column E, beside the header"),
    )
    assert (chunk.size, chunk.blank) == (3, 0)


def test_sheets_are_named_if_there_are_several_with_rows(tmp_path):
    path = make(tmp_path / "t.xlsx", vaults=VAULTS, spare=VAULTS, blank=[])
    assert layers_of(path) == ("vaults", "spare")
    with pytest.raises(SettingsError, match="has 2 sheets; name one of: vaults, spare"):
        read_chunks(path)
    with pytest.raises(SettingsError, match="no sheet 'gone'; it has vaults, spare"):
        read_chunks(path, layer="gone")
    assert whole(path, layer="spare")["vault_id"].tolist() == ["007", "008"]
    assert count_rows(path, layer="spare") == 2
    assert len(whole(make(tmp_path / "u.xlsx", vaults=VAULTS, blank=[]))) == 2


def test_a_header_alone_still_tells_its_columns(tmp_path):
    (chunk,) = read_chunks(make(tmp_path / "t.xlsx", s=VAULTS[:1]))
    assert chunk.frame.columns.tolist() == ["vault_id", "depth_ft"]
    assert chunk.size == len(chunk.frame) == 0


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([], "no sheet with rows"),
        ([("a title",), ("one",)], "sheet s: no row has two values"),
        ([("a", "b", "a"), (1, 2, 3)], "sheet s: row 1 names two columns a"),
        ([("a", "b"), (1, "=A2+1")], "sheet s: the formula in B2 has no stored value"),
    ],
)
def test_sheets_that_cannot_be_read(tmp_path, rows, told):
    with pytest.raises(SchemaError, match=told):
        whole(make(tmp_path / "t.xlsx", s=rows))


def test_files_that_are_no_workbook(write):
    old = bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 600
    with pytest.raises(SchemaError, match=r"locked with a password; .* save it as \.xlsx"):
        whole(write("t.xlsx", old))
    with pytest.raises(SchemaError, match=r"save it as \.xlsx"):
        whole(write("t.xls", old))
    with pytest.raises(SchemaError, match="is empty"):
        whole(write("t.xlsx", b""))
    with pytest.raises(SchemaError, match=r"t\.xlsx cannot be unpacked"):
        whole(write("t.xlsx", "vault_id,depth_ft\n1,2\n"))
    with pytest.raises(SchemaError, match=r"t\.csv is not text but looks like a workbook"):
        whole(write("t.csv", b"PK\x03\x04" + b"\0" * 50))


def test_a_zip_file_that_is_no_workbook(tmp_path):
    path = tmp_path / "t.xlsm"
    with zipfile.ZipFile(path, "w") as target:
        target.writestr("hello.txt", "hello")
    for use in (whole, count_rows, layers_of):
        with pytest.raises(SchemaError, match="cannot be read as a workbook"):
            use(path)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (b'<row r="3"', b'<row r="2"', "row 2 follows row 2"),
        (b'<row r="3"', b'<row r="999999999999"', "row 999999999999 follows row 2"),
        (b"</sheetData>", b"<", "cannot be read as a workbook"),
        (b"<v>8</v>", b"<v>eight</v>", "cannot be read as a workbook"),
        (b"<v>8</v>", b"<v>" + b"9" * 5000 + b"</v>", "cannot be read as a workbook"),
        (b"<worksheet", b'<!DOCTYPE x [<!ENTITY a "b">]><worksheet', "words of its own"),
        (b"<worksheet", b"<!--" + b"x" * (66 << 20) + b"--><worksheet", "200 times|more than 64"),
    ],
)
def test_sheets_broken_by_hand(tmp_path, old, new, told):
    path = changed(make(tmp_path / "t.xlsx", s=VAULTS), SHEET, (old, new))
    with pytest.raises(SchemaError, match=told):
        whole(path)


def test_a_sheet_that_lies_about_its_size_loses_nothing(tmp_path):
    path = make(tmp_path / "t.xlsx", s=VAULTS)
    with zipfile.ZipFile(path) as book:
        size = re.search(rb"<dimension[^>]*>", book.read(SHEET))[0]
    changed(path, SHEET, (size, b'<dimension ref="A1"/>'))
    assert len(whole(path)) == count_rows(path) == 2
    changed(path, SHEET, (b'<dimension ref="A1"/>', b""))
    assert len(whole(path)) == count_rows(path) == 2


def test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_parsed(tmp_path):
    path = make(tmp_path / "t.xlsx", s=VAULTS)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as target:
        target.writestr("xl/media/image.bin", bytes(60 << 20))
    for use in (whole, count_rows, layers_of):
        with pytest.raises(SchemaError, match=r"'xl/media/image\.bin' unpacks to more than 200"):
            use(path)


def test_a_long_sheet_is_read_no_further_than_asked(tmp_path):
    """Its end is broken, and yet its first rows come: so not all of it was read for them."""
    rows = [("id", "remark"), *((str(i), f"remark {i}") for i in range(2, 8000))]
    path = changed(make(tmp_path / "t.xlsx", s=rows), SHEET, (b"</sheetData>", b"<"))
    chunks = read_chunks(path, chunk_rows=500)
    first = next(chunks)
    assert first.frame["id"].astype(int).tolist() == first.frame.index.tolist()
    assert len(first.frame) == 500
    with pytest.raises(SchemaError, match="cannot be read as a workbook"):
        list(chunks)


values = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**53), 2**53),
    st.floats(-1e300, 1e300),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cn")), max_size=6),
)


@given(st.lists(st.tuples(values, values, values), max_size=6))
def test_whatever_is_written_comes_back_and_adds_up(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("any") / "t.xlsx"
    options = {"strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(path, options) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["a", "b", "c"])
        for at, row in enumerate(rows, start=1):
            sheet.write_row(at, 0, row)
    chunks = list(read_chunks(path, chunk_rows=2))
    frame = pd.concat([chunk.frame for chunk in chunks])
    for at, row in enumerate(rows, start=2):
        filled = [value for value in row if value is not None and value != ""]
        assert (at in frame.index) == bool(filled)
        if filled:
            assert all(map(same, frame.loc[at].tolist(), row))
    assert all(c.size == len(c.frame) + len(c.misfits) + c.blank for c in chunks)


def same(text: object, value: object) -> bool:
    if value is None or value == "":
        return bool(pd.isna(text))
    if isinstance(value, bool):
        return text == str(value).lower()
    if isinstance(value, float):
        # xlsxwriter writes 16 digits.
        return float(str(text)) == pytest.approx(value, rel=1e-14)
    return text == str(value)
