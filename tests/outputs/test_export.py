from __future__ import annotations

import csv
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from vaultplan import schema
from vaultplan.columns import Column, Table, guarded, unguarded
from vaultplan.errors import CRSError, OutputError, SchemaError
from vaultplan.outputs.export import write_export, write_export_folder
from vaultplan.outputs.tables import write_plan_csv, write_plan_xlsx, write_table

CRS = "EPSG:32606"
LIVE_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # noqa: RUF001
PAYLOADS = (
    "=cmd|' /C calc'!A0",
    '=HYPERLINK("file:///x","click")',
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "+1+1",
    "-2+3",
    "\t=1+1",
    "\r\n=1+1",
    "'=1+1",
    "''=1+1",
    "＝1+1",  # noqa: RUF001
)
#: Any text that XML can hold as well, for the workbook: no halves of letters, no non-letters.
LETTERS = st.characters(exclude_categories=("Cs",), exclude_characters="\0\ufffe\uffff")
TEXTS = st.text(LETTERS, max_size=12)
LIVE = st.sampled_from(PAYLOADS) | st.builds(
    "{}{}{}".format, st.sampled_from(("", "'", "''")), st.sampled_from(LIVE_SIGNS), TEXTS
)
TEXTUAL = ("text", "words", "clock")
TEXT_COLUMNS = {
    column.name
    for declared in schema.TABLES.values()
    for column in declared.columns
    if column.type in TEXTUAL
}
MOMENTS = st.integers(-62_135_596_800_000, 253_402_300_799_999)


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def series(*texts: str | None) -> pd.Series:
    return pd.Series(texts, dtype="str")


def vaults(*shapes: object, **columns: object) -> gpd.GeoDataFrame:
    ids = [f"V{number}" for number in range(len(shapes))]
    frame = gpd.GeoDataFrame({"vault_id": ids} | columns, geometry=list(shapes), crs=CRS)
    return schema.table("vaults").conform(frame)


@given(st.lists(TEXTS | LIVE))
def test_guarded_text_is_never_live_and_can_be_had_back(texts: list[str]) -> None:
    safe = guarded(series(*texts))
    assert not any(cell.startswith(LIVE_SIGNS) for cell in safe)
    assert unguarded(safe).tolist() == texts


@given(st.lists(TEXTS | LIVE))
def test_no_two_texts_are_guarded_alike(texts: list[str]) -> None:
    assert len(set(guarded(series(*texts)))) == len(set(texts))


@given(st.lists(TEXTS | LIVE))
def test_text_of_a_safe_file_is_guarded_as_it_stood(texts: list[str]) -> None:
    safe = series(*(text for text in texts if not text.startswith(LIVE_SIGNS)))
    assert guarded(unguarded(safe)).tolist() == safe.tolist()


def test_missing_text_stays_missing() -> None:
    assert guarded(series(None, "=1")).isna().tolist() == [True, False]
    assert unguarded(series(None, "'=1")).isna().tolist() == [True, False]
    assert guarded(series(None)).dtype == unguarded(series(None)).dtype == "str"


@given(
    rows=st.lists(
        st.tuples(
            st.none() | TEXTS | LIVE,
            st.none() | st.floats(allow_nan=False, allow_infinity=False),
            MOMENTS,
            st.none() | st.booleans(),
            st.none() | st.integers(-(2**63), 2**63 - 1),
        ),
        max_size=6,
    )
)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_csv_says_every_value_exactly(rows: list[tuple[object, ...]], tmp_path: Path) -> None:
    notes, depths, moments, rain, socks = zip(*rows, strict=True) if rows else ((),) * 5
    frame = pd.DataFrame(
        {
            "visit_id": [f"{number:03}" for number in range(len(rows))],
            "vault_id": ["V"] * len(rows),
            "visited_at": pd.to_datetime(pd.Series(moments, dtype="int64"), unit="ms", utc=True),
            "depth_in": pd.Series(depths, dtype="float64"),
            "socks_used": pd.array(socks, dtype="Int64"),
            "was_raining": pd.array(rain, dtype="boolean"),
            "notes": pd.Series(notes, dtype="str"),
        }
    )
    write_export(frame, "visits", tmp_path / "visits.csv")
    cells = pd.DataFrame(read_rows(tmp_path / "visits.csv"), columns=frame.columns, dtype="str")
    assert unguarded(cells["notes"]).tolist() == [note or "" for note in notes]
    for written, depth in zip(cells["depth_in"], depths, strict=True):
        assert written == "" if depth is None else float(written) == depth
    for written, moment in zip(cells["visited_at"], moments, strict=True):
        assert pd.Timestamp(written) == pd.Timestamp(moment, unit="ms", tz="UTC")
    words = {None: "", True: "true", False: "false"}
    assert cells["was_raining"].tolist() == [words[value] for value in rain]
    assert cells["socks_used"].tolist() == ["" if n is None else str(n) for n in socks]


@given(numbers=st.lists(st.floats(-1e7, 1e7), min_size=2, max_size=60))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_csv_places_are_exact(numbers: list[float], tmp_path: Path) -> None:
    corners = list(pairwise(numbers))
    write_export(vaults(shapely.MultiPoint(corners)), "vaults", tmp_path / "vaults.csv")
    back = shapely.from_wkt(read_rows(tmp_path / "vaults.csv")[0]["geometry"])
    assert shapely.get_coordinates(back).tolist() == [list(corner) for corner in corners]


def test_a_csv_is_as_short_as_it_can_be(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "visit_id": ["b", "a", "c"],
            "vault_id": ["V,1", 'V"2', "V;3"],
            "visited_at": pd.to_datetime(
                ["2026-03-02T18:00:00Z", "2026-03-02T18:00:00.5Z", "0001-01-01T00:00:00Z"],
                format="ISO8601",
                utc=True,
            ),
            "depth_in": [0.1 + 0.2, -0.0, 1e22],
            "notes": ["two\nlines", "-5", None],
        }
    )
    write_export(frame, "visits", tmp_path / "visits.csv")
    header, *lines = (tmp_path / "visits.csv").read_bytes().decode().split("\n", 1)
    assert header == ",".join(schema.table("visits").column_names)
    assert lines == [
        'a,"V""2",2026-03-02T18:00:00.500Z,,,0,,,,,,,,,,,,,,,,\'-5\n'
        'b,"V,1",2026-03-02T18:00:00Z,,,0.30000000000000004,,,,,,,,,,,,,,,,"two\nlines"\n'
        "c,V;3,0001-01-01T00:00:00Z,,,1e+22,,,,,,,,,,,,,,,,\n"
    ]


def test_the_column_map_beside_a_csv_names_the_crs(tmp_path: Path) -> None:
    written = write_export(vaults(shapely.Point(1, 2)), "vaults", tmp_path / "v.csv")
    assert written == (tmp_path / "v.csv", tmp_path / "v.csv.vaults.toml")
    assert written[1].read_bytes() == b'crs = "EPSG:32606"\n'
    plain = schema.table("trucks").empty()
    assert write_export(plain, "trucks", tmp_path / "t.csv") == (tmp_path / "t.csv",)
    assert sorted(file.name for file in tmp_path.iterdir()) == [
        "t.csv",
        "v.csv",
        "v.csv.vaults.toml",
    ]


@pytest.mark.parametrize("ending", ["csv", "gpkg", "parquet"])
def test_the_same_rows_give_the_same_bytes(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, ending: str
) -> None:
    path = tmp_path / f"t.{ending}"
    for name, frame in week_frames.items():
        if isinstance(frame, gpd.GeoDataFrame) and frame.crs is None:
            frame = frame.set_crs(CRS)
        write_export(frame, name, path)
        before = path.read_bytes()
        write_export(frame.sample(frac=1, random_state=4), name, path)
        assert path.read_bytes() == before, name


@pytest.mark.parametrize("ending", ["csv", "gpkg", "parquet"])
def test_a_table_longer_than_a_block_is_whole_and_in_order(tmp_path: Path, ending: str) -> None:
    days = pd.date_range("2000-01-01", periods=30_001, unit="s")
    frame = pd.DataFrame(
        {
            "gauge_id": ["G2"] * len(days) + ["G1"] * len(days),
            "fell_on": [*days[::-1], *days],
            "rain_in": 0.5,
        }
    )
    path = tmp_path / f"rainfall.{ending}"
    write_export(frame, "rainfall", path)
    readers = {"csv": pd.read_csv, "gpkg": pyogrio.read_dataframe, "parquet": pd.read_parquet}
    back = schema.table("rainfall").conform(readers[ending](path))
    expected = schema.table("rainfall").conform(frame.sort_values(["gauge_id", "fell_on"]))
    pd.testing.assert_frame_equal(back, expected.reset_index(drop=True))


def test_every_other_time_is_exact_in_a_geopackage(tmp_path: Path) -> None:
    draw = np.random.default_rng(3)
    spread = draw.integers(-62_135_596_800_000, 253_402_300_799_999, 4_000)
    since = np.unique(np.concatenate([spread, draw.integers(0, 2 * 10**12, 4_000)]))
    since = since[(since >= 0) | (since % 60_000 <= 59_000)]
    frame = pd.DataFrame(
        {
            "visit_id": np.char.zfill(np.arange(len(since)).astype("str"), 4),
            "vault_id": "V",
            "visited_at": pd.to_datetime(pd.Series(since), unit="ms", utc=True),
        }
    )
    write_export(frame, "visits", tmp_path / "v.gpkg")
    with closing(sqlite3.connect(tmp_path / "v.gpkg")) as connection:
        rows = connection.execute("SELECT visited_at FROM visits ORDER BY visit_id").fetchall()
    written = np.array([row[0].removesuffix("Z") for row in rows], dtype="datetime64[ms]")
    assert written.astype("int64").tolist() == since.tolist()


def test_gdals_clock_is_given_back(tmp_path: Path) -> None:
    option = "OGR_CURRENT_DATE"
    pyogrio.set_gdal_config_options({option: "2020-02-02T00:00:00.000Z"})
    try:
        write_export(schema.table("trucks").empty(), "trucks", tmp_path / "t.gpkg")
        assert pyogrio.get_gdal_config_option(option) == "2020-02-02T00:00:00.000Z"
    finally:
        pyogrio.set_gdal_config_options({option: None})
    write_export(schema.table("trucks").empty(), "trucks", tmp_path / "t.gpkg")
    assert pyogrio.get_gdal_config_option(option) is None


def test_other_readers_find_types_places_and_crs(tmp_path: Path) -> None:
    frame = vaults(
        shapely.Point(1 / 3, 4206000.1),
        shapely.Point(2, 3),
        depth_ft=[2.5, None],
        has_irrigation=[True, None],
        address=["=1+1", "Ölmühle 3"],
    )
    write_export(frame, "vaults", tmp_path / "v.gpkg")
    write_export(frame, "vaults", tmp_path / "v.parquet")
    for back in (
        pyogrio.read_dataframe(tmp_path / "v.gpkg"),
        gpd.read_parquet(tmp_path / "v.parquet"),
    ):
        assert back.crs == CRS
        assert shapely.equals_exact(back.geometry.to_numpy(), frame.geometry.to_numpy()).all()
        assert back["address"].tolist() == ["=1+1", "Ölmühle 3"]
        assert bool(back["has_irrigation"].iloc[0])
        assert pd.isna(back["has_irrigation"].iloc[1])
        assert back["depth_ft"].isna().tolist() == [False, True]
    sites = gpd.GeoDataFrame(
        {"plan_id": ["P"], "truck_id": ["T"], "on": ["2026-03-02"]}, geometry=[None], crs=CRS
    )
    write_export(sites, "routes", tmp_path / "r.gpkg")
    info = pyogrio.read_info(tmp_path / "r.gpkg")
    assert info["layer_name"] == "routes"
    assert dict(zip(info["fields"], info["ogr_types"], strict=True))["on"] == "OFTDate"


def test_a_missing_place_is_blank_in_every_kind_of_file(tmp_path: Path) -> None:
    traces = gpd.GeoDataFrame(
        {"vault_id": ["V1", "V2"], "trace_status": ["no_inlet", "complete"]},
        geometry=[None, shapely.LineString([(0, 0), (1 / 3, 1)])],
        crs=CRS,
    )
    for ending in ("csv", "gpkg", "parquet"):
        write_export(traces, "traces", tmp_path / f"t.{ending}")
    assert [row["geometry"] for row in read_rows(tmp_path / "t.csv")] == [
        "",
        "LINESTRING (0 0, 0.3333333333333333 1)",
    ]
    for back in (
        pyogrio.read_dataframe(tmp_path / "t.gpkg"),
        gpd.read_parquet(tmp_path / "t.parquet"),
    ):
        assert back.geometry.isna().tolist() == [True, False]
        assert back.geometry.iloc[1] == traces.geometry.iloc[1]


def test_a_folder_holds_one_spatial_file_and_a_csv_for_every_other_table(
    week_frames: Mapping[str, pd.DataFrame], tmp_path: Path
) -> None:
    names = ("vaults", "outfalls", "trucks", "work_orders")
    frames = {name: week_frames[name] for name in names}
    frames |= {"backdrop": schema.table("backdrop").empty(CRS)}
    frames |= {"samples": schema.table("samples").empty()}
    written = write_export_folder(frames, tmp_path)
    assert [path.name for path in written] == [
        "spatial.gpkg",
        "samples.csv",
        "work_orders.csv",
        "trucks.csv",
    ]
    assert sorted(written) == sorted(tmp_path.iterdir())
    layers = pyogrio.list_layers(tmp_path / "spatial.gpkg")
    assert layers.tolist() == [
        ["vaults", "Point"],
        ["outfalls", "Point"],
        ["backdrop", "MultiPolygon"],
    ]
    assert pyogrio.read_info(tmp_path / "spatial.gpkg", layer="backdrop")["features"] == 0
    header = ",".join(schema.table("samples").column_names)
    assert (tmp_path / "samples.csv").read_text(encoding="utf-8") == f"{header}\n"


def test_what_cannot_be_written_is_refused_and_the_old_file_stays(tmp_path: Path) -> None:
    frame = vaults(shapely.Point(1, 2))
    path = tmp_path / "v.csv"
    write_export(frame, "vaults", path)
    before = {file: file.read_bytes() for file in tmp_path.iterdir()}
    odd = pyproj.CRS.from_proj4("+proj=tmerc +lat_0=1.5 +lon_0=2.5")
    for ending in ("csv", "gpkg"):
        with pytest.raises(OutputError, match="address holds text with a zero byte"):
            write_export(frame.assign(address="a\0b"), "vaults", path.with_suffix(f".{ending}"))
    with pytest.raises(CRSError, match="vaults has no CRS"):
        write_export(frame.set_crs(None, allow_override=True), "vaults", path)
    with pytest.raises(CRSError, match="no EPSG number"):
        write_export(frame.set_crs(odd, allow_override=True), "vaults", path)
    with pytest.raises(SchemaError, match="lacks required column"):
        write_export(frame.drop(columns="vault_id"), "vaults", path)
    with pytest.raises(SchemaError, match="there is no table 'volts'"):
        write_export(frame, "volts", path)
    with pytest.raises(SchemaError, match="there is no table 'volts'"):
        write_export_folder({"vaults": frame, "volts": frame}, tmp_path)
    with pytest.raises(OutputError, match=r"\.csv, \.parquet or \.gpkg"):
        write_export(frame, "vaults", tmp_path / "v.geojson")
    with pytest.raises(OutputError, match="no folder"):
        write_export(frame, "vaults", tmp_path / "none" / "v.csv")
    assert {file: file.read_bytes() for file in tmp_path.iterdir()} == before


def _is_free_text(column: Column, declared: Table) -> bool:
    is_id = column.name in declared.key or column.name.endswith("_id")
    return column.type != "clock" and not is_id and declared.name not in ("plans", "project")


def poisoned(frames: Mapping[str, pd.DataFrame], texts: list[str]) -> dict[str, pd.DataFrame]:
    """The frames with live text in every column of free text, and in the ids of things."""
    ids = {"vault_id", "order_id", "truck_id", "site_id", "inlet_id", "outfall_id", "water_id"}
    made = {}
    for name, frame in frames.items():
        declared, changed = schema.table(name), frame.copy()
        for place, column in enumerate(declared.columns):
            if column.type not in TEXTUAL or column.name not in frame or column.allowed:
                continue
            if column.name in ids:
                changed[column.name] = texts[0] + frame[column.name].astype("str")
            elif _is_free_text(column, declared):
                cycle = [texts[(row + place) % len(texts)] for row in range(len(frame))]
                changed[column.name] = pd.Series(cycle, index=frame.index, dtype="str")
        made[name] = changed
    return made


@pytest.mark.parametrize("moment", ["1969-12-31T23:59:59.999Z", "1901-05-05T08:30:59.001Z"])
def test_a_time_that_gdal_would_change_is_refused(tmp_path: Path, moment: str) -> None:
    frame = pd.DataFrame({"visit_id": ["a"], "vault_id": ["V"], "visited_at": [moment]})
    with pytest.raises(OutputError, match="visited_at holds a time before 1970"):
        write_export(frame, "visits", tmp_path / "v.gpkg")
    write_export(frame, "visits", tmp_path / "v.csv")
    assert read_rows(tmp_path / "v.csv")[0]["visited_at"] == moment


@given(texts=st.lists(LIVE, min_size=3, max_size=3))
@settings(
    max_examples=3,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),  # to make a week smaller takes minutes
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_no_cell_the_program_writes_is_live_in_a_spreadsheet(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, texts: list[str]
) -> None:
    frames = poisoned(week_frames, texts)
    write_plan_csv(frames, tmp_path / "plan.csv", time_zone="Etc/GMT+10")
    write_plan_xlsx(frames, tmp_path / "plan.xlsx", time_zone="Etc/GMT+10")
    for name, frame in frames.items():
        if isinstance(frame, gpd.GeoDataFrame) and frame.crs is None:
            frame = frame.set_crs(CRS)
        write_table(frame, tmp_path / f"table_{name}.csv")
    for name, frame in poisoned(week_frames, texts).items():
        if isinstance(frame, gpd.GeoDataFrame) and frame.crs is None:
            frame = frame.set_crs(CRS)
        write_export(frame, name, tmp_path / f"export_{name}.csv")
    met = 0
    for path in tmp_path.glob("*.csv"):
        for row in read_rows(path):
            cells = [cell for column, cell in row.items() if column in TEXT_COLUMNS | {"outcome"}]
            assert not any(cell.startswith(LIVE_SIGNS) for cell in cells), path.name
            met += sum(cell.startswith("'") for cell in cells)
    assert met > 500
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    kinds = [cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row]
    assert "f" not in kinds
    met = [str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row]
    assert sum(text.lstrip("'").startswith(LIVE_SIGNS) for text in met) > 30
