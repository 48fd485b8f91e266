"""Parquet and GeoParquet: values as text, shapes from WKB, the CRS that the file states."""

from __future__ import annotations

import datetime as dt
import json
from decimal import Decimal
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point

from vaultplan.errors import SchemaError, SettingsError, VaultplanError
from vaultplan.intake import count_rows, layers_of, read_chunks

WKB = [shapely.to_wkb(Point(1, 2)), b"\x01\x63\x00", None]


def table(path: Path, geo: object = None, **columns: object) -> Path:
    written = pa.table(columns)
    if geo is not None:
        told = geo if isinstance(geo, str) else json.dumps(geo)
        written = written.replace_schema_metadata({"geo": told})
    pq.write_table(written, path)
    return path


def geo(encoding: str = "WKB", **more: object) -> dict[str, object]:
    column = {"encoding": encoding, "geometry_types": [], **more}
    return {"version": "1.1.0", "primary_column": "place", "columns": {"place": column}}


def test_vaults_written_by_geopandas(tmp_path, vaults):
    path = tmp_path / "vaults.geoparquet"
    vaults.to_parquet(path, index=False)
    first, second = read_chunks(path, chunk_rows=2)
    assert (first.first_row, second.first_row) == (1, 3)
    assert first.frame["vault_id"].tolist() == ["001", "002"]
    assert first.frame["depth_ft"].tolist() == ["8", "6.5"]
    assert pd.isna(second.frame.loc[3, "depth_ft"])
    assert "geometry" not in first.frame
    assert first.crs.to_epsg() == 32606
    assert (first.geometry == vaults.geometry.to_numpy()[:2]).all()
    assert (first.size, second.size, count_rows(path)) == (2, 1, 3)
    assert layers_of(path) == ()
    with pytest.raises(SettingsError, match="has no layer 'x'"):
        read_chunks(path, layer="x")


def test_every_kind_of_value_reads_back(tmp_path):
    at = dt.datetime(2024, 7, 2, 3, 4, 5)
    columns = {
        "id": pa.array(["007"]),
        "large": pa.array(["x"], pa.large_string()),
        "word": pa.array(["vault"]).dictionary_encode(),
        "whole": pa.array([9_007_199_254_740_993]),
        "real": pa.array([1001.0]),
        "short": pa.array([0.1], pa.float32()),
        "gap": pa.array([float("nan")]),
        "exact": pa.array([Decimal("1.50")]),
        "yes": pa.array([True]),
        "day": pa.array([dt.date(2024, 1, 2)]),
        "clock": pa.array([dt.time(3, 4)]),
        "naive": pa.array([at], pa.timestamp("ns")),
        "zoned": pa.array([at], pa.timestamp("us", "America/Anchorage")),
        "part": pa.array([at.replace(microsecond=500_000)], pa.timestamp("ms")),
        "nothing": pa.nulls(1),
        "nested": pa.array([[1, 2]]),
    }
    (chunk,) = read_chunks(table(tmp_path / "t.parquet", **columns))
    assert chunk.frame.loc[1].fillna("").to_dict() == {
        "id": "007",
        "large": "x",
        "word": "vault",
        "whole": "9007199254740993",
        "real": "1001",
        "short": "0.1",
        "gap": "",
        "exact": "1.50",
        "yes": "true",
        "day": "2024-01-02",
        "clock": "03:04:00",
        "naive": "2024-07-02T03:04:05",
        "zoned": "2024-07-02T03:04:05Z",
        "part": "2024-07-02T03:04:05.500",
        "nothing": "",
        "nested": "",
    }
    assert (chunk.frame.dtypes == "str").all()
    assert chunk.geometry is None


@pytest.mark.parametrize(
    ("stated", "crs"),
    [
        ({}, "OGC:CRS84"),  # GeoParquet 1.1: a CRS left out means OGC:CRS84
        ({"crs": None}, None),  # and null means that it is not known
        ({"crs": pyproj.CRS("EPSG:2227").to_json_dict()}, "EPSG:2227"),
    ],
)
def test_the_crs_is_what_the_standard_says(tmp_path, stated, crs):
    (chunk,) = read_chunks(table(tmp_path / "t.parquet", geo(**stated), place=WKB))
    assert chunk.crs == (None if crs is None else pyproj.CRS(crs))
    assert chunk.geometry[0] == Point(1, 2)
    assert chunk.unreadable.tolist() == [False, True, False]


@pytest.mark.parametrize("name", ["geometry", "WKB"])
def test_bytes_named_as_shapes_are_shapes_of_unknown_crs(tmp_path, name):
    (chunk,) = read_chunks(table(tmp_path / "t.parquet", **{name: WKB, "a": [1, 2, 3]}))
    assert chunk.crs is None
    assert chunk.geometry[0] == Point(1, 2)
    assert chunk.frame.columns.tolist() == ["a"]


def test_shapes_as_text_are_left_to_the_column_map(tmp_path):
    (chunk,) = read_chunks(table(tmp_path / "t.parquet", geometry=["POINT (1 2)"]))
    assert chunk.geometry is None
    assert chunk.frame.loc[1, "geometry"] == "POINT (1 2)"


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ("{", "what it says of its shapes cannot be understood"),
        ("[]", "what it says of its shapes cannot be understood"),
        ({**geo(), "primary_column": "gone"}, "what it says of its shapes"),
        (geo(crs={"type": "none"}), "what it says of its shapes"),
        (geo("point"), "holds its shapes as point; write them as WKB"),
        (json.dumps(geo()).replace("place", "spot"), "in 'spot', a column it does not have"),
    ],
)
def test_what_cannot_be_understood_of_its_shapes(tmp_path, told, why):
    with pytest.raises(SchemaError, match=why):
        read_chunks(table(tmp_path / "t.parquet", told, place=WKB))


def test_no_rows_and_names_twice(tmp_path):
    (chunk,) = read_chunks(table(tmp_path / "t.parquet", a=pa.array([], pa.string())))
    assert chunk.frame.columns.tolist() == ["a"]
    assert chunk.size == len(chunk.frame) == 0
    twice = pa.Table.from_arrays([pa.array([1]), pa.array([2])], names=["a", "a"])
    pq.write_table(twice, tmp_path / "u.parquet")
    with pytest.raises(SchemaError, match="two columns named a"):
        read_chunks(tmp_path / "u.parquet")


def test_a_column_that_text_cannot_hold_is_named(tmp_path):
    ends = pa.array(["a"]).buffers()[1]
    data = pa.Array.from_buffers(pa.string(), 1, [None, ends, pa.py_buffer(b"\xff")])
    with pytest.raises(SchemaError, match=r"t\.parquet, column a: string cannot be read as text"):
        list(read_chunks(table(tmp_path / "t.parquet", a=data)))


@given(st.data())
def test_a_damaged_file_is_refused_by_name_or_read(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("any") / "t.parquet"
    gpd.GeoDataFrame({"a": ["x", "y"]}, geometry=[Point(0, 0)] * 2, crs=32606).to_parquet(path)
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content[: data.draw(st.integers(1, len(content)))])
    try:
        chunks = list(read_chunks(path))
    except VaultplanError as error:
        assert str(path) in str(error)
    else:
        assert all(chunk.size == len(chunk.frame) for chunk in chunks)
