"""Files as chunks: rows numbered as the user sees them, values as written, faults told clearly."""

from __future__ import annotations

import csv
import io
import sqlite3
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake import count_rows, layers_of, read_chunks

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


@pytest.mark.parametrize(
    ("name", "content", "error", "told"),
    [
        ("t.csv", "", SchemaError, "is empty"),
        ("t.csv", "a,b,a\n1,2,3\n", SchemaError, "two columns named a"),
        ("t.csv", 'a,b\n1,"24 deep\n2,3\n', SchemaError, "never closed, before '24 deep'"),
        ("t.csv", "\n\n", SchemaError, "no header|cannot be read"),
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
