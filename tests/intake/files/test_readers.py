"""Files as chunks: rows numbered as the user sees them, values as written, faults told clearly."""

from __future__ import annotations

import codecs
import csv
import io
import sqlite3
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from vaultplan.errors import SchemaError, SettingsError, VaultplanError
from vaultplan.intake import count_rows, layers_of, read_chunks
from vaultplan.intake.files import delimited
from vaultplan.intake.files.delimited import guess_delimiter, guess_letters

FORMATS = {"gpkg": {}, "shp": {}, "geojson": {}, "gdb": {"driver": "OpenFileGDB"}}


def whole(path: Path, **options: object) -> pd.DataFrame:
    return pd.concat([chunk.frame for chunk in read_chunks(path, **options)])


def test_a_messy_text_file(write):
    path = write(
        "visits.csv",
        b"\xef\xbb\xbfvisit_id;notes;crew\r\n"
        b'007;"first line\r\nsecond ""line"""; A \r\n'
        b"\r\n"
        b"008;;NA\r\n",
    )
    frame = whole(path)
    assert frame.columns.tolist() == ["visit_id", "notes", "crew"]
    assert frame.index.tolist() == [2, 4]
    assert frame["visit_id"].tolist() == ["007", "008"]
    assert frame.loc[2, "notes"] == 'first line\r\nsecond "line"'
    assert pd.isna(frame.loc[4, "notes"])
    assert frame.loc[4, "crew"] == "NA"


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_delimiter_is_found(write, mark):
    text = f"a{mark}b{mark}c\n" + "\n".join(f"x, y{i}{mark}1{mark}2" for i in range(3))
    if mark == ",":
        text = "a,b,c\n" + "\n".join(f'"x; y{i}",1,2' for i in range(3))
    assert whole(write("t.csv", text)).columns.tolist() == ["a", "b", "c"]


def test_tsv_and_a_stated_delimiter(write):
    assert whole(write("t.tsv", "a\tb,c\n1\t2\n")).columns.tolist() == ["a", "b,c"]
    path = write("t.csv", "a:b\n1:2\n")
    assert whole(path, delimiter=":").loc[2, "b"] == "2"


def test_letters(write):
    odd = write("t.csv", "id,name\n1,plain\n2,Café\n", "cp1252")
    with pytest.raises(SchemaError, match=r"not UTF-8 \(first at line 3\).*encoding = \"cp1252\""):
        whole(odd)
    assert whole(odd, encoding="cp1252").loc[3, "name"] == "Café"
    assert whole(write("u.csv", "id,name\n1,Café\n", "utf-16")).loc[2, "name"] == "Café"
    with pytest.raises(SettingsError, match="no encoding 'klingon'"):
        whole(odd, encoding="klingon")


@pytest.mark.parametrize(
    ("content", "letters"),
    [
        (b"id,name\n1,plain\n", "utf8"),
        ("id,name\n1,Café\n".encode(), "utf8"),
        ("id,name\n1,Café\n".encode("utf-8-sig"), "utf8"),
        ("id,name\n1,Café ‰\n".encode("cp1252"), "cp1252"),
        (b"id,name\n1,\xe9 \x81\n", "latin-1"),
        ("id,name\n1,Café\n".encode("utf-16"), "utf-16"),
        (codecs.BOM_UTF16_BE + "id,name\n1,Café\n".encode("utf-16-be"), "utf-16"),
        ("id,name\n1,Café\n".encode("utf-16-le"), "utf-16-le"),
        ("id,name\n1,Café\n".encode("utf-16-be"), "utf-16-be"),
        (("id,name\n" + "é" * 4_200_000).encode()[:-1] + b"\n", "cp1252"),
        (("id,name\n" + "é" * 4_200_000).encode(), "utf8"),
    ],
)
def test_letters_are_guessed_from_the_whole_file_and_it_reads_so(write, content, letters):
    content = content.encode() if isinstance(content, str) else content
    path = write("t.csv", content)
    assert guess_letters(path) == letters
    assert guess_delimiter(path, letters) == ","
    if len(content) < 1000:
        frame = whole(path, encoding=letters)
        assert frame.columns.tolist() == ["id", "name"]
        assert frame.loc[2, "name"] == content.decode(letters).split(",")[-1].strip()


@pytest.mark.parametrize("letters", ["utf-8", "UTF-8", "utf_8_sig", "utf8"])
def test_a_mark_of_utf8_is_no_part_of_the_first_name(write, letters):
    path = write("t.csv", '\ufeff"vault_id",b\n1,2\n')
    assert whole(path, encoding=letters).columns.tolist() == ["vault_id", "b"]
    with pytest.raises(SchemaError, match="not UTF-8"):
        whole(write("u.csv", b"a,b\n1,\xe9\n"), encoding=letters)


@pytest.mark.parametrize("mark", [codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE])
def test_a_stated_order_of_bytes_may_come_with_a_mark(write, mark):
    letters = "utf-16-le" if mark == codecs.BOM_UTF16_LE else "utf-16-be"
    path = write("t.csv", mark + "a,b\n1,2\n".encode(letters))
    assert whole(path, encoding=letters).columns.tolist() == ["a", "b"]


@pytest.mark.parametrize("name", ["base64", "rot13", "x\0y", "idna!"])
def test_an_encoding_that_is_none(write, name):
    with pytest.raises(SettingsError, match="there is no encoding"):
        read_chunks(write("t.csv", "a,b\n1,2\n"), encoding=name)
    with pytest.raises(SettingsError, match="the delimiter 'ab' cannot be meant"):
        read_chunks(write("t.csv", "a,b\n1,2\n"), delimiter="ab")


def test_bytes_that_are_no_text_are_refused_even_in_a_row_that_does_not_fit(write):
    with pytest.raises(SchemaError, match=r"not UTF-8 \(first at line 3\)"):
        whole(write("t.csv", b"a,b\n1,2\n\xff\n3,4\n"))
    with pytest.raises(SchemaError, match=r"zero bytes \(first at line 2\)"):
        whole(write("t.csv", b"a,b\n1,\x00\n"))
    with pytest.raises(SchemaError, match="cannot be read in the letters utf-16"):
        whole(write("t.csv", b"\xff\xfea,b\n1,2"))


def test_a_row_of_many_megabytes_is_refused(write):
    path = write("t.csv", b'a,b\n1,"' + b"x" * (17 << 20) + b'"\n')
    with pytest.raises(SchemaError, match="longer than 8 MB"):
        whole(path)


def test_rows_that_do_not_fit_the_header_are_told_with_their_row(write):
    (chunk,) = read_chunks(write("t.csv", "a,b\n1,2\n3\n4,5,6\n7,8\n"))
    assert chunk.frame.index.tolist() == [2, 5]
    assert [(row, text) for row, text, _ in chunk.misfits] == [(3, "3"), (4, "4,5,6")]
    assert chunk.misfits[0][2] == "the row has 1 values, the header 2"
    assert chunk.size == 4


def test_values_under_no_name_are_kept_under_the_number_of_their_column(write):
    (chunk,) = read_chunks(write("t.csv", "a,,b\n1,x,2\n,only,\n,,\n,,,,\n\n3,,4\n"))
    assert chunk.frame.fillna("").to_dict("index") == {
        2: {"a": "1", "(column 2)": "x", "b": "2"},
        3: {"a": "", "(column 2)": "only", "b": ""},
        7: {"a": "3", "(column 2)": "", "b": "4"},
    }
    assert chunk.misfits == ()
    assert (chunk.size, chunk.blank) == (6, 3)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_end_of_line(write, end):
    path = write("t.csv", end.join(["a;b", "1;2", "", "3;4", ""]))
    frame = whole(path)
    assert frame.index.tolist() == [2, 4]
    assert frame["b"].tolist() == ["2", "4"]
    assert count_rows(path) == 3


@pytest.mark.parametrize(
    "rows",
    ['"24 deep,2\n3,4\n5,6\n', '1,2\n9,9,"24 deep\n3,4', '1,"24 deep\n2,3\n4,5\n\n'],
)
def test_an_open_quotation_mark_in_any_column_is_refused(write, rows):
    with pytest.raises(SchemaError, match=r"t\.csv has a quotation mark .* never closed"):
        whole(write("t.csv", "a,b\n" + rows))


def test_a_closed_quotation_mark_before_or_in_a_misfit_is_none_left_open(write):
    path = write("t.csv", 'a,b\n1,"two\nlines"\n3,4,"x\n""y"""\n')
    (chunk,) = read_chunks(path)
    assert chunk.frame["b"].tolist() == ["two\nlines"]
    assert [row for row, _, _ in chunk.misfits] == [3]


def test_a_file_of_which_hardly_a_row_fits_is_given_up(write, monkeypatch):
    monkeypatch.setattr(delimited, "_MOST_MISFITS", 100)
    path = write("t.csv", "a,b\n" + "1,2,\n" * 200)
    with pytest.raises(SchemaError, match=r"t\.csv has 101 rows and more .* row 2: .* 3 values"):
        whole(path)


@pytest.mark.parametrize(
    ("name", "content", "error", "told"),
    [
        ("t.csv", "", SchemaError, "is empty"),
        ("t.csv", "a,b,a\n1,2,3\n", SchemaError, "two columns named a"),
        ("t.csv", 'a,b\n1,"24 deep\n2,3\n', SchemaError, "never closed, before '24 deep'"),
        ("t.csv", "\n\n", SchemaError, "no header|cannot be read"),
        ("t.csv", ",,\n1,2,3\n", SchemaError, "no header"),
        ("t.csv", bytes(range(256)) * 40, SchemaError, "not UTF-8"),
        ("t.csv", b"SQLite format 3\0" + b"x" * 99, SchemaError, r"name it \.gpkg"),
        ("t.csv", b"\xff\xfe", SchemaError, "no header|cannot be read"),
        ("t.csv", codecs.BOM_UTF8, SchemaError, "no header|cannot be read"),
        ("t.geojson", "", SchemaError, "is empty"),
        ("t.parquet", "no such thing", SchemaError, "cannot be read as Parquet"),
        ("t.parquet", "", SchemaError, "is empty"),
        ("t.docx", "a", SettingsError, r"ending must be one of \.csv"),
        ("t.gpkg", "not a database", SchemaError, "cannot be read"),
        ("t.shp", b"\x00\x01\x02", SchemaError, "cannot be read"),
        ("t.geojson", '{"type": "FeatureCollection", "features": [', SchemaError, "cannot be read"),
        ("t.gdb", "a file", SettingsError, "not a folder"),
    ],
)
def test_files_that_cannot_be_read(write, name, content, error, told):
    with pytest.raises(error, match=told):
        whole(write(name, content))


def test_no_file_and_wrong_kind_of_file(tmp_path, write):
    with pytest.raises(SettingsError, match="there is no file"):
        read_chunks(tmp_path / "none.csv")
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises(SettingsError, match="is a folder"):
        read_chunks(tmp_path / "folder.csv")
    with pytest.raises(SettingsError, match="has no layer 'x'"):
        read_chunks(write("t.csv", "a,b\n1,2\n"), layer="x")


def test_an_inch_mark_within_a_value_is_no_quotation_mark(write):
    frame = whole(write("t.csv", 'a,b\n1,pipe 24" wide\n2,"in two\nlines"\n'))
    assert frame["b"].tolist() == ['pipe 24" wide', "in two\nlines"]


def test_a_header_alone_still_tells_its_columns(write):
    (chunk,) = read_chunks(write("t.csv", "a,b\n"))
    assert chunk.frame.columns.tolist() == ["a", "b"]
    assert len(chunk.frame) == chunk.first_row == 0


def test_text_in_chunks_goes_on_counting(write):
    path = write("t.csv", "a,b\n" + "".join(f"{i},x\n" for i in range(2, 12)))
    chunks = list(read_chunks(path, chunk_rows=4))
    assert [len(chunk.frame) for chunk in chunks] == [4, 4, 2]
    assert [chunk.first_row for chunk in chunks] == [2, 6, 10]
    assert all((c.frame["a"].astype(int) == c.frame.index).all() for c in chunks)
    assert count_rows(path) == 10


def test_a_line_of_300_mb_is_refused_in_little_memory(tmp_path):
    """The peak beyond that of a tiny file stays far below the size of the file."""
    (tmp_path / "small.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with (tmp_path / "large.csv").open("wb") as file:
        file.write(b"a,b\n")
        for _ in range(300):
            file.write(b"x" * (1 << 20))
    code = """
import resource, sys
from pathlib import Path
from vaultplan.intake import read_chunks
try:
    print(len(list(read_chunks(Path(sys.argv[1])))))
except ValueError as error:
    print("longer than 8 MB" in str(error))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10)
"""
    told = {
        name: subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / f"{name}.csv")],
            check=True,
            capture_output=True,
            text=True,
        ).stdout.split()
        for name in ("small", "large")
    }
    assert told["small"][0] == "1"
    assert told["large"][0] == "True"
    assert int(told["large"][1]) - int(told["small"][1]) < 100


cells = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=8)


@given(st.lists(st.tuples(st.just("k"), cells, cells), max_size=6), st.sampled_from(",;\t|"))
def test_whatever_is_written_comes_back(tmp_path_factory, rows, mark):
    text = io.StringIO()
    csv.writer(text, delimiter=mark, quoting=csv.QUOTE_ALL).writerows([("a", "b", "c"), *rows])
    path = tmp_path_factory.mktemp("any") / "t.csv"
    path.write_text(text.getvalue(), encoding="utf-8", newline="")
    frame = whole(path, delimiter=mark)
    assert frame.fillna("").to_records(index=False).tolist() == rows
    assert frame.index.tolist() == list(range(2, 2 + len(rows)))


@pytest.mark.parametrize("ending", FORMATS)
def test_each_spatial_format(tmp_path, vaults, ending):
    path = tmp_path / f"vaults.{ending}"
    given = vaults.to_crs(4326) if ending == "geojson" else vaults
    given.to_file(path, engine="pyogrio", **FORMATS[ending]) if ending != "shp" else given.rename(
        columns={"has_irrigation": "has_irriga", "water_table_ft": "water_tabl"}
    ).to_file(path, engine="pyogrio")
    first, second = read_chunks(path, chunk_rows=2)
    assert (first.first_row, second.first_row) == (1, 3)
    assert first.frame["vault_id"].tolist() == ["001", "002"]
    assert first.frame["depth_ft"].tolist() == ["8", "6.5"]
    assert pd.isna(second.frame.loc[3, "depth_ft"])
    assert first.crs.to_epsg() == (4326 if ending == "geojson" else 32606)
    apart = shapely.distance(first.geometry, given.geometry.to_numpy()[:2])
    assert apart.max() < 1e-3
    assert count_rows(path) == 3


def test_layers_are_named_and_styles_are_not_data(tmp_path, vaults):
    path = tmp_path / "town.gpkg"
    vaults.to_file(path, layer="lids", engine="pyogrio")
    vaults.to_file(path, layer="spare", engine="pyogrio")
    pyogrio.write_dataframe(pd.DataFrame({"styleName": ["x"]}), path, layer="layer_styles")
    assert layers_of(path) == ("lids", "spare")
    with pytest.raises(SettingsError, match="2 layers; name one of: lids, spare"):
        read_chunks(path)
    with pytest.raises(SettingsError, match="no layer 'gone'; it has lids, spare"):
        read_chunks(path, layer="gone")
    assert len(whole(path, layer="lids")) == 3


def test_a_layer_without_shapes(tmp_path):
    path = tmp_path / "rain.gpkg"
    pyogrio.write_dataframe(pd.DataFrame({"gauge_id": ["G1"], "rain_in": [0.25]}), path)
    (chunk,) = read_chunks(path)
    assert chunk.geometry is None
    assert chunk.crs is None
    assert chunk.frame.loc[1].tolist() == ["G1", "0.25"]


def test_a_layer_without_rows_still_tells_its_columns(tmp_path, vaults):
    path = tmp_path / "none.gpkg"
    vaults.iloc[:0].to_file(path, engine="pyogrio", geometry_type="Point")
    (chunk,) = read_chunks(path)
    assert "vault_id" in chunk.frame
    assert len(chunk.frame) == 0


def test_a_shapefile_without_its_prj_has_no_crs(tmp_path, vaults):
    path = tmp_path / "v.shp"
    vaults[["vault_id", "geometry"]].to_file(path, engine="pyogrio")
    path.with_suffix(".prj").unlink()
    (chunk,) = read_chunks(path)
    assert chunk.crs is None


def test_numbers_keep_every_digit(tmp_path):
    path = tmp_path / "n.gpkg"
    frame = gpd.GeoDataFrame(
        {"real": [0.1, 1e-7, 1001.0], "whole": [9_007_199_254_740_993, 0, -1], "yes": [True] * 3},
        geometry=[Point(0, 0)] * 3,
        crs=32606,
    )
    frame.to_file(path, engine="pyogrio")
    (chunk,) = read_chunks(path)
    assert [float(x) for x in chunk.frame["real"]] == frame["real"].tolist()
    assert chunk.frame["real"].tolist()[2] == "1001"
    assert [int(x) for x in chunk.frame["whole"]] == frame["whole"].tolist()
    assert chunk.frame["yes"].tolist() == ["true"] * 3


def test_times_keep_the_zone_they_have_and_a_geodatabase_has_none(tmp_path):
    at = pd.to_datetime(["2024-01-02T03:04:05Z"])
    frame = gpd.GeoDataFrame({"seen_at": at}, geometry=[Point(0, 0)], crs=32606)
    frame.to_file(tmp_path / "t.gpkg", engine="pyogrio")
    frame.to_file(tmp_path / "t.gdb", engine="pyogrio", driver="OpenFileGDB")
    assert whole(tmp_path / "t.gpkg").loc[1, "seen_at"] == "2024-01-02T03:04:05Z"
    assert whole(tmp_path / "t.gdb").loc[1, "seen_at"] == "2024-01-02T03:04:05"


def test_m_is_dropped_in_silence_and_curves_are_refused():
    fixtures = Path(pyogrio.__file__).parent / "tests" / "fixtures"
    if not fixtures.exists():
        pytest.skip("this pyogrio came without its fixtures")
    (chunk,) = read_chunks(fixtures / "line_zm.gpkg")
    assert isinstance(chunk.geometry[0], LineString)
    with pytest.raises(SchemaError, match="curved"):
        list(read_chunks(fixtures / "curve.gpkg"))


def test_a_shape_that_cannot_be_understood_is_marked(tmp_path, vaults):
    path = tmp_path / "v.gpkg"
    vaults.to_file(path, engine="pyogrio")
    with sqlite3.connect(path) as database:
        for (trigger,) in database.execute(
            "select name from sqlite_master where type = 'trigger'"
        ).fetchall():
            database.execute(f'drop trigger "{trigger}"')
        head = bytes.fromhex("4750000100000000")
        database.execute("update v set geom = ? where fid = 2", (head + b"\x01\x63\x00",))
    database.close()
    (chunk,) = read_chunks(path)
    assert chunk.geometry[1] is None
    assert chunk.unreadable.tolist() == [False, True, False]


def test_rows_keep_their_numbers_past_the_first_block_of_a_long_file(tmp_path):
    path = tmp_path / "orders.csv"
    pad = "x" * 90
    with path.open("w", encoding="utf-8") as file:
        file.write("id,pad\n")
        file.writelines(f"{r},{pad}{',' * (r % 1000 == 0)}\n" for r in range(2, 200_000))
    for chunk in read_chunks(path):
        assert chunk.frame["id"].astype(int).to_list() == chunk.frame.index.to_list()
        told = [int(text.split(",")[0]) for _, text, _ in chunk.misfits]
        assert told == [row for row, _, _ in chunk.misfits]


def test_a_shapefile_without_cpg_and_in_other_letters(tmp_path, vaults):
    path = tmp_path / "v.shp"
    named = vaults.assign(name="Café")[["name", "geometry"]]
    named.to_file(path, engine="pyogrio", encoding="cp1252")
    path.with_suffix(".cpg").unlink()
    with pytest.raises(SchemaError, match=r'v\.shp, column name: .* encoding = "cp1252"'):
        whole(path)
    assert whole(path, encoding="cp1252")["name"].tolist() == ["Café"] * 3
    with pytest.raises(SettingsError, match="no encoding 'klingon'"):
        whole(path, encoding="klingon")


@pytest.mark.parametrize("name", ["t.gpkg", "t.geojson", "t.json", "t.shp"])
def test_a_file_that_only_leads_to_another_is_refused(tmp_path, write, vaults, name):
    vaults.to_file(tmp_path / "secret.gpkg", engine="pyogrio")
    path = write(
        name,
        "<OGRVRTDataSource><OGRVRTLayer name='secret'><SrcDataSource>"
        f"{tmp_path / 'secret.gpkg'}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
    )
    # What is refused: GDAL alone would follow it.
    assert len(pyogrio.read_dataframe(path)) == 3
    for use in (layers_of, count_rows, whole):
        with pytest.raises(SchemaError, match="does not begin as a"):
            use(path)


pieces = st.sampled_from(
    [
        "1",
        "v",
        ",",
        ",",
        "\n",
        "\n",
        "\r\n",
        "\r",
        '"',
        '""',
        " ",
        "é",
        "\0",
        "x" * 50,
        "\n\n",
        ",,,\n",
    ]
)


@given(st.lists(pieces, max_size=60).map("".join), st.sampled_from([64, 100, 1 << 23]))
def test_whatever_the_damage_the_rows_add_up(tmp_path_factory, text, block_bytes):
    """Small blocks stand for the 8 MB ones, so that rows fall on their borders."""
    path = tmp_path_factory.mktemp("any") / "t.csv"
    path.write_text("a,b,\n" + text, encoding="utf-8", newline="")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited, "_BLOCK_BYTES", block_bytes)
        try:
            chunks = list(read_chunks(path, chunk_rows=3, delimiter=","))
        except VaultplanError as error:
            assert str(path) in str(error)
            return
    assert all(c.size == len(c.frame) + len(c.misfits) + c.blank for c in chunks)
    kept = [row for chunk in chunks for row in chunk.frame.index]
    told = [row for chunk in chunks for row, _, _ in chunk.misfits]
    assert kept == sorted(set(kept))
    assert told == sorted(set(told))
    assert not set(kept) & set(told)
    assert max([1, *kept, *told]) <= 1 + sum(chunk.size for chunk in chunks)


rows_of_a_kind = st.sampled_from(["fits", "blank", "short", "long", "lines", "commas", "unnamed"])


@given(st.lists(rows_of_a_kind, max_size=60), st.sampled_from([64, 100, 1 << 23]))
def test_every_row_is_somewhere_exactly_once(tmp_path_factory, kinds, block_bytes):
    """Each row tells its own number, so it is known where it must come out."""
    written = {
        "fits": "{},x,",
        "blank": "",
        "short": "{}",
        "long": "{},1,2,3",
        "lines": '{},"a\nb",',
        "commas": ",,,,",
        "unnamed": ",,{}",
    }
    path = tmp_path_factory.mktemp("any") / "t.csv"
    lines = [written[kind].format(row) for row, kind in enumerate(kinds, start=2)]
    path.write_text("\n".join(["a,b,", *lines, ""]), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited, "_BLOCK_BYTES", block_bytes)
        chunks = list(read_chunks(path, chunk_rows=3))
    kept = [
        (row, int(value))
        for c in chunks
        for row, value in c.frame["a"].fillna(c.frame["(column 3)"]).items()
    ]
    told = [
        (row, int(text.strip().strip(",").split(",")[0]))
        for c in chunks
        for row, text, _ in c.misfits
    ]
    numbered = list(enumerate(kinds, start=2))
    assert kept == [(row, row) for row, kind in numbered if kind in ("fits", "lines", "unnamed")]
    assert told == [(row, row) for row, kind in numbered if kind in ("short", "long")]
    assert sum(c.blank for c in chunks) == sum(kind in ("blank", "commas") for kind in kinds)
    assert sum(c.size for c in chunks) == len(kinds)
