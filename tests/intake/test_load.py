"""Whole files as frames of a table, or refused with every fault in them."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon

from vaultplan.errors import BadRowsError, SettingsError, VaultplanError
from vaultplan.intake import ColumnMap, preview, read_table
from vaultplan.schema import table

HEAD = "visit_id,vault_id,visited_at,depth_in\n"


def visit(number: int, vault: str = "V1", depth: str = "3") -> str:
    return f"{number:05d},{vault},2024-01-05T09:30:00Z,{depth}\n"


def test_a_clean_file_becomes_frames_of_the_schema(write, load):
    path = write("visits.csv", HEAD + visit(1) + visit(2, depth=""))
    frame = load("visits", path)
    assert frame["visit_id"].tolist() == ["00001", "00002"]
    assert frame["depth_in"].tolist()[0] == 3.0
    pd.testing.assert_frame_equal(frame, table("visits").conform(frame))


def test_a_column_map_at_work(write, load):
    path = write(
        "lids.csv",
        "VAULT_NO;TYPE;DEPTH;LEN;EAST;NORTH;DRY?\n007;V;96;2;500000;4206000;Y\n8;?;;;500010;4206000;\n",
    )
    given = ColumnMap(
        crs="EPSG:32606",
        x="EAST",
        y="NORTH",
        columns={"vault_id": "VAULT_NO", "kind": "TYPE", "depth_ft": "DEPTH", "length_ft": "LEN"},
        units={"depth_ft": "in", "length_ft": "m"},
        values={"kind": {"V": "vault", "?": ""}},
        constants={"status": "in_service", "has_irrigation": True},
    )
    frame = load("vaults", path, column_map=given)
    assert frame["vault_id"].tolist() == ["007", "8"]
    assert frame["kind"].tolist()[0] == "vault"
    assert pd.isna(frame.loc[1, "kind"])
    assert frame["depth_ft"].tolist()[0] == 8.0
    assert frame.loc[0, "length_ft"] == pytest.approx(2 / 0.3048, rel=1e-14)
    assert frame["status"].eq("in_service").all()
    assert frame["has_irrigation"].all()
    assert list(frame.geometry) == [Point(500_000, 4_206_000), Point(500_010, 4_206_000)]
    assert preview("vaults", path, column_map=given).unused == ("DRY?",)


def test_metres_become_the_databases_own_foot(write, load):
    path = write("v.csv", "vault_id,length_ft,x,y\nA,1200,-122.4,37.75\n")
    given = ColumnMap(crs="EPSG:4326", units={"length_ft": "m"})
    in_survey_feet = load("vaults", path, column_map=given, crs="EPSG:2227")
    assert in_survey_feet.loc[0, "length_ft"] == pytest.approx(3937.0, rel=1e-14)
    in_metres = load("vaults", path, column_map=given, crs="EPSG:26943")
    assert in_metres.loc[0, "length_ft"] == pytest.approx(1200 / 0.3048, rel=1e-14)


def test_a_unit_for_a_count_is_refused(write):
    given = ColumnMap(units={"socks_used": "in"})
    with pytest.raises(SettingsError, match="no unit to convert to"):
        read_table("visits", write("v.csv", HEAD), crs="EPSG:32606", column_map=given)


def test_shapes_as_text(write, load, faults_of):
    head = "gauge_id,wkt\n"
    given = ColumnMap(crs="EPSG:32606")
    path = write("g.csv", head + "G1,POINT (500000 4206000)\n")
    assert load("gauges", path, column_map=given).geometry.iloc[0] == Point(500_000, 4_206_000)
    bad = write("b.csv", head + "G1,POINT 500000\nG2,\n")
    faults = faults_of("gauges", bad, column_map=given)
    assert [fault.row for fault in faults] == [2, 3]
    assert "cannot be understood" in faults[0].fault


def test_half_a_place(write, faults_of):
    path = write("g.csv", "gauge_id,x,y\nG1,500000,\nG2,5x,4206000\nG3,500000,4206000\n")
    faults = faults_of("gauges", path, column_map=ColumnMap(crs="EPSG:32606"))
    assert [(f.row, f.column, f.fault) for f in faults] == [
        (2, "x, y", "only one of the two is given"),
        (3, "x", "is not a coordinate"),
    ]
    assert faults[0].value == "500000, -"


def test_everything_wrong_with_a_file_is_told_at_once(write, faults_of):
    path = write(
        "visits.csv",
        HEAD + visit(1) + visit(1, "V9", "1,5") + "short\n" + "\n" + visit(2, depth="-4"),
    )
    text = path.read_text().replace("1,5", '"1,5"')
    path.write_text(text)
    faults = faults_of("visits", path, known={"vaults.vault_id": ["V1"]})
    assert [(f.row, f.column) for f in faults] == [
        (3, "depth_in"),
        (3, "vault_id"),
        (3, "visit_id"),
        (4, ""),
        (6, "depth_in"),
    ]
    assert all(fault.remedy for fault in faults)


def test_frames_stop_at_the_first_fault_but_the_scan_goes_on(write):
    rows = [visit(i, depth="x" if i in (5, 9) else "1") for i in range(1, 11)]
    path = write("visits.csv", HEAD + "".join(rows))
    handed, went_through = [], []
    with pytest.raises(BadRowsError) as caught:
        for frame in read_table(
            "visits", path, crs="EPSG:32606", chunk_rows=2, on_progress=went_through.append
        ):
            handed.append(len(frame))
    assert handed == [2, 2]
    assert [fault.row for fault in caught.value.faults] == [6, 10]
    assert sum(went_through) == 10
    told = str(caught.value)
    assert "visits.csv" in told
    assert "row 6, column depth_in: is not a number (in) ('x'); write digits only" in told


def test_missing_columns_and_no_shapes(write, faults_of):
    path = write("vaults.csv", "number,kind\n1,valut\n")
    faults = faults_of("vaults", path)
    assert [(f.row, f.column) for f in faults] == [(0, "vault_id"), (0, "geometry"), (2, "kind")]
    assert "which of these it is: number, kind" in faults[0].remedy
    assert "name the columns x and y" in faults[1].remedy


def test_a_file_without_crs_is_refused_once_and_loaded_when_the_map_states_it(
    tmp_path, vaults, load, faults_of
):
    path = tmp_path / "v.shp"
    vaults[["vault_id", "geometry"]].to_file(path, engine="pyogrio")
    path.with_suffix(".prj").unlink()
    (fault,) = faults_of("vaults", path)
    assert (fault.row, fault.column, fault.fault) == (0, "geometry", "the file has no CRS")
    assert 'crs = "EPSG:2227"' in fault.remedy
    frame = load("vaults", path, column_map=ColumnMap(crs="EPSG:32606"))
    assert list(frame.geometry) == list(vaults.geometry)


def test_a_map_may_not_overrule_the_files_own_crs(tmp_path, vaults, load):
    path = tmp_path / "v.gpkg"
    vaults.to_file(path, engine="pyogrio")
    with pytest.raises(
        SettingsError, match=r"states its CRS, WGS 84 / UTM zone 6N; the column map"
    ):
        load("vaults", path, column_map=ColumnMap(crs="EPSG:2227"))
    assert len(load("vaults", path, column_map=ColumnMap(crs="EPSG:32606"))) == 3


@pytest.mark.parametrize("ending", ["gpkg", "shp", "geojson", "gdb"])
def test_the_same_vaults_from_every_format(tmp_path, vaults, load, ending):
    path = tmp_path / f"v.{ending}"
    given = vaults.to_crs(4326) if ending == "geojson" else vaults
    if ending == "shp":
        given = given.rename(
            columns={"has_irrigation": "has_irriga", "water_table_ft": "water_tabl"}
        )
    options = {"driver": "OpenFileGDB"} if ending == "gdb" else {}
    given.to_file(path, engine="pyogrio", **options)
    frame = load("vaults", path)
    wanted = table("vaults").conform(vaults.assign(has_irrigation=[True, None, False]))
    assert frame.geometry.distance(wanted.geometry).max() < 1e-3
    pd.testing.assert_frame_equal(
        frame.drop(columns="geometry"), pd.DataFrame(wanted.drop(columns="geometry"))
    )


def test_broken_shapes_are_told_by_feature(tmp_path, faults_of):
    bow = Polygon([(0, 0), (9, 9), (9, 0), (0, 9)])
    square = Polygon([(0, 0), (9, 0), (9, 9), (0, 9)])
    shapes = gpd.GeoSeries([square, bow, None], crs="EPSG:32606").translate(500_000, 4_206_000)
    path = tmp_path / "a.gpkg"
    gpd.GeoDataFrame({"area_id": ["A", "B", "C"], "kind": "beach"}, geometry=shapes).to_file(
        path, engine="pyogrio"
    )
    faults = faults_of("sensitive_areas", path)
    assert [(f.row, f.column, f.fault) for f in faults] == [
        (2, "geometry", "the shape is broken"),
        (3, "geometry", "there is no shape"),
    ]


def test_the_layer_named_as_the_table_is_found(tmp_path, vaults, load):
    path = tmp_path / "town.gpkg"
    vaults.iloc[:1].to_file(path, layer="other", engine="pyogrio")
    vaults.to_file(path, layer="vaults", engine="pyogrio")
    assert len(load("vaults", path)) == 3
    assert len(load("vaults", path, column_map=ColumnMap(layer="other"))) == 1


def test_an_empty_table_is_no_fault_but_its_columns_must_be_there(write, load, faults_of):
    assert len(load("visits", write("v.csv", HEAD))) == 0
    assert [f.column for f in faults_of("visits", write("v.csv", "visit_id,crew\n"))] == [
        "vault_id",
        "visited_at",
    ]


def test_only_tables_of_a_user_are_loaded(write):
    with pytest.raises(SettingsError, match="'plans' is not loaded from files; choose one of vau"):
        read_table("plans", write("p.csv", "a\n"), crs="EPSG:32606")


SOUND = (HEAD + "".join(visit(i) for i in range(1, 9))).encode()
damage = st.tuples(
    st.integers(0, len(SOUND)),
    st.integers(0, 40),
    st.one_of(st.binary(max_size=6), st.sampled_from([b'"', b",", b"\r", b"\n", b"\0", b"=1+1"])),
)


@settings(deadline=None)
@given(st.lists(damage, min_size=1, max_size=4))
def test_whatever_happens_to_a_file_it_is_refused_or_every_frame_conforms(tmp_path_factory, blows):
    content = SOUND
    for at, length, put in blows:
        content = content[:at] + put + content[at + length :]
    path = tmp_path_factory.mktemp("hurt") / "visits.csv"
    path.write_bytes(content)
    try:
        frames = list(read_table("visits", path, crs="EPSG:32606"))
    except VaultplanError as error:
        assert str(path) in str(error)
    else:
        for frame in frames:
            pd.testing.assert_frame_equal(frame, table("visits").conform(frame))
        assert not pd.concat(frames)["visit_id"].duplicated().any()


def test_loading_again_gives_the_same_frames(write, load):
    path = write("visits.csv", HEAD + "".join(visit(i) for i in range(7)))
    one, many = load("visits", path), load("visits", path, chunk_rows=2)
    pd.testing.assert_frame_equal(one, many)
