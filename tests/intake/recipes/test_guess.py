"""The column map of a foreign file, guessed; every file and every name here is invented."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj
import pytest
from shapely import Point

from vaultplan.errors import SettingsError
from vaultplan.intake import ColumnMap, layers_of, load_column_map
from vaultplan.intake.recipes.guess import Guess, guess_map
from vaultplan.intake.recipes.guess_forms import marks_of
from vaultplan.intake.recipes.matching import match_columns
from vaultplan.schema import LOADABLE, table

DEMO = Path(__file__).parents[3] / "data" / "demo"
UTM = pyproj.CRS("EPSG:32606")
CALIFORNIA_3_FEET = pyproj.CRS("EPSG:2227")

US_STYLE = """\
STRUCT_NO,STRUCT_TYPE,INS_LEN_IN,INS_WID_IN,INS_DEPTH (in),Rim Elev (ft),LID_TYPE,\
DIST,X_COORD,Y_COORD,OBJECTID,INSTALL_DT
V-001,V,144,72,96,"1,012.50",SOLID,North,-147.01,38.01,1,3/4/1998
V-002,MH,96,60,84,"1,008.25",VENTED,North,-147.02,38.02,2,3/5/1998
V-003,HH,48,36,36,998.00,slotted,South,-147.03,38.03,3,
V-004,?,120,60,84,987.50,Solid,South,-147.04,38.04,4,11/30/2001
"""
EUROPEAN_STYLE = """\
VaultNumber;VisitDate;WaterDepth_cm;VolumeRemoved_l;BailerGrade;Pumped To;OilSheen;Inspector
001;31.01.2026 08:15;12,5;1.234,5;CLR;Storm;N;7
002;01.02.2026 09:00;0,0;0;LT;Sock;Y;7
003;02.02.2026 10:30;45,0;10.500,0;HVY;Vac;n;8
"""
TAB_STYLE = """\
WO_NUM\tFACILITY_ID\tWORK_DESC\tTARGET_START\tNEED_BY_DATE\tPRIORITY\tEST_HRS\tCSE_REQD\tWO_STATUS
W1\tV1\tinspect\t45962\t45970\t2\t1.5\tY\tOpen
W2\tV2\tsplice\t45963\t45971\t3\t4\tN\tCOMPLETE
W3\tV3\tinspect\t45964\t45972\t1\t0.5\tN\tCanceled
"""

#: Names of columns with a few values, and the column of the table they mean; none if blank.
NAMES = pd.read_csv(Path(__file__).with_name("foreign_names.csv"), dtype="str").fillna("")
KNOWN, OTHER = NAMES[NAMES["means"] != ""], NAMES[NAMES["means"] == ""]
IDS = ["V-01", "V-02", "V-03"]


def guess(declared: str, path: Path, *, crs: pyproj.CRS = UTM, **options: object) -> Guess:
    found = guess_map(table(declared), path, crs=crs, **options)
    found.column_map.check_against(table(declared), path)
    return found


def why(found: Guess, column: str) -> str:
    return " | ".join(f"{line.certainty}: {line.why}" for line in found.lines
                      if line.column == column)  # fmt: skip


def columns_of(write, row: pd.Series) -> dict[str, str]:
    text = pd.DataFrame({row["name"]: row["values"].split("|")}).to_csv(index=False)
    return dict(guess(row["table"], write("one.csv", text)).column_map.columns)


def test_nine_in_ten_usual_names_are_known(write):
    misses = [
        f"{row['table']} {row['name']}: {found} instead of {row['means']}"
        for _, row in KNOWN.iterrows()
        if (found := columns_of(write, row)) != {row["means"]: row["name"]}
    ]
    print(f"{len(KNOWN) - len(misses)} of {len(KNOWN)} known", *misses, sep="\n")  # noqa: T201
    assert len(KNOWN) >= 60
    assert len(misses) <= 0.1 * len(KNOWN), misses


@pytest.mark.parametrize("name", ["Len" + "ght", "Inside Leng" + "ht", "INSIDELEN", "lngth"])
def test_names_mistyped_shortened_and_run_together(write, name):
    text = f"{name},x,y\n8,-147,38\n9.5,-147,38\n"
    assert guess("vaults", write("v.csv", text)).column_map.columns == {"length_ft": name}


def test_columns_that_mean_something_else_are_left_alone(write):
    taken = {
        f"{row['table']} {row['name']}": found
        for _, row in OTHER.iterrows()
        if (found := columns_of(write, row))
    }
    assert len(OTHER) >= 30
    assert taken == {}


@pytest.mark.skipif(not DEMO.exists(), reason="the demo has not been made")
@pytest.mark.parametrize("name", LOADABLE)
def test_nothing_is_guessed_for_the_demo(name):
    spatial = DEMO / "spatial.gpkg"
    found = guess(name, spatial if name in layers_of(spatial) else DEMO / f"{name}.csv")
    assert found.is_plain
    assert found.column_map == ColumnMap()
    assert (found.unused, found.missing) == ((), ())
    own = [line for line in found.lines if line.column == line.source]
    assert {line.certainty for line in own} == {"sure"}
    assert set(own) == set(found.lines)


def test_vaults_in_the_american_style(write):
    found = guess("vaults", write("vaults.csv", US_STYLE))
    assert found.column_map == ColumnMap(
        crs="EPSG:4326",
        thousands=",",
        x="X_COORD",
        y="Y_COORD",
        columns={
            "vault_id": "STRUCT_NO",
            "kind": "STRUCT_TYPE",
            "district": "DIST",
            "length_ft": "INS_LEN_IN",
            "width_ft": "INS_WID_IN",
            "depth_ft": "INS_DEPTH (in)",
            "rim_elev_ft": "Rim Elev (ft)",
            "lid": "LID_TYPE",
        },
        units={"length_ft": "in", "width_ft": "in", "depth_ft": "in"},
        values={
            "kind": {"HH": "handhole", "MH": "manhole", "V": "vault"},
            "lid": {"SOLID": "sealed", "Solid": "sealed", "VENTED": "vented"},
        },
    )
    assert found.unused == ("OBJECTID", "INSTALL_DT")
    assert found.missing == ()
    assert not found.is_plain


def test_visits_in_the_european_style(write):
    found = guess("visits", write("visits.txt", EUROPEAN_STYLE, "cp1252"))
    assert found.column_map == ColumnMap(
        delimiter=";",
        time_format="%d.%m.%Y %H:%M",
        thousands=".",
        decimal=",",
        columns={
            "vault_id": "VaultNumber",
            "visited_at": "VisitDate",
            "depth_in": "WaterDepth_cm",
            "volume_gal": "VolumeRemoved_l",
            "grade": "BailerGrade",
            "disposal": "Pumped To",
            "has_sheen": "OilSheen",
            "crew": "Inspector",
        },
        units={"depth_in": "cm", "volume_gal": "l"},
        values={
            "grade": {"CLR": "clear", "HVY": "heavy", "LT": "light"},
            "disposal": {"Sock": "filter_sock", "Storm": "storm_drain", "Vac": "vacuum_truck"},
        },
    )
    assert found.missing == ("visit_id",)
    assert "no zone" in why(found, "time_zone")


def test_work_orders_from_a_spreadsheet_with_tabs(write):
    found = guess("work_orders", write("orders.tsv", TAB_STYLE))
    assert found.column_map == ColumnMap(
        delimiter="\t",
        excel_days=True,
        columns={
            "order_id": "WO_NUM",
            "vault_id": "FACILITY_ID",
            "task": "WORK_DESC",
            "earliest_on": "TARGET_START",
            "due_on": "NEED_BY_DATE",
            "priority": "PRIORITY",
            "task_minutes": "EST_HRS",
            "needs_entry": "CSE_REQD",
            "status": "WO_STATUS",
        },
        units={"task_minutes": "h"},
        values={"status": {"COMPLETE": "done", "Canceled": "cancelled", "Open": "open"}},
    )


def test_a_shapefile_with_short_names_and_no_projection(tmp_path):
    path = tmp_path / "vaults.shp"
    shapes = gpd.GeoSeries([Point(6_050_000, 2_110_000), Point(6_051_000, 2_111_000)])
    frame = gpd.GeoDataFrame(
        {
            "STRUCTURE_": ["A1", "A2"],
            "INSIDE_DEP": [8.5, 6.0],
            "WATER_TABL": [4.0, 12.0],
            "has_irriga": ["Y", "N"],
            "SHAPE_LENG": [0.0, 0.0],
        },
        geometry=shapes,
    )
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        frame.to_file(path, engine="pyogrio")
    assert not path.with_suffix(".prj").exists()
    found = guess("vaults", path, crs=CALIFORNIA_3_FEET)
    assert found.column_map == ColumnMap(
        crs="EPSG:2227",
        columns={
            "vault_id": "STRUCTURE_",
            "depth_ft": "INSIDE_DEP",
            "water_table_ft": "WATER_TABL",
            "has_irrigation": "has_irriga",
        },
    )
    assert found.unused == ("SHAPE_LENG",)


def test_a_workbook(tmp_path):
    path = tmp_path / "orders.xlsx"
    frame = pd.DataFrame(
        {
            "Work Order #": ["W1", "W2"],
            "Vault #": ["V1", "V2"],
            "Due Date": pd.to_datetime(["2026-03-14", "2026-03-02"]),
            "Est. Hours": [1.5, 4.0],
        }
    )
    frame.to_excel(path, index=False, sheet_name="Sheet1")
    found = guess("work_orders", path)
    assert found.column_map == ColumnMap(
        columns={
            "order_id": "Work Order #",
            "vault_id": "Vault #",
            "due_on": "Due Date",
            "task_minutes": "Est. Hours",
        },
        units={"task_minutes": "h"},
    )


def test_a_recipe_repeats_the_guess_exactly(write):
    path = write("vaults.csv", US_STYLE)
    first = guess("vaults", path)
    recipe = load_column_map(write("vaults.toml", first.column_map.to_toml()), table("vaults"))
    assert recipe == first.column_map
    again = guess("vaults", path, stated=recipe)
    assert again.is_plain
    assert again.column_map == recipe
    assert guess("vaults", path) == first
    names = US_STYLE.partition("\n")[0].split(",")
    matched = match_columns(table("vaults"), names, path, recipe, has_shapes=False)
    assert matched.sources == recipe.columns
    assert matched.places == ("X_COORD", "Y_COORD")


def test_what_is_stated_wins(write):
    stated = ColumnMap(
        crs="EPSG:32606",
        columns={"district": "STRUCT_TYPE", "depth_ft": "ins_len_in"},
        units={"depth_ft": "cm"},
        values={"lid": {"SOLID": "slotted"}},
        constants={"kind": "vault"},
        thousands=".",
        decimal=",",
    )
    found = guess("vaults", write("vaults.csv", US_STYLE), stated=stated).column_map
    assert found.columns["district"] == "STRUCT_TYPE"
    assert found.columns["depth_ft"] == "ins_len_in"
    assert "length_ft" not in found.columns
    assert found.units == {"width_ft": "in", "depth_ft": "cm"}
    assert found.values["lid"] == {
        "SOLID": "slotted", "Solid": "sealed", "VENTED": "vented"}  # fmt: skip
    assert (found.crs, found.thousands, found.decimal) == ("EPSG:32606", ".", ",")
    assert found.constants == {"kind": "vault"}


def test_a_stated_crs_with_the_programs_own_names_needs_no_guess(write):
    path = write("depots.csv", "depot_id,name,wkt\nD1,North,POINT (500000 4206000)\n")
    stated = ColumnMap(crs="EPSG:32606")
    found = guess("depots", path, stated=stated)
    assert found.is_plain
    assert found.column_map is stated


def test_no_column_is_used_twice_and_close_calls_are_unsure(write):
    text = "VAULT_NO,STRUCT_NO,DEPTH,x,y\nV1,S1,8,-147,38\nV2,S2,9,-147.1,38.1\n"
    found = guess("vaults", write("v.csv", text))
    assert found.column_map.columns == {"vault_id": "VAULT_NO", "depth_ft": "DEPTH"}
    assert found.unused == ("STRUCT_NO",)
    assert why(found, "vault_id").startswith("unsure: ")
    assert "STRUCT_NO may be meant as well" in why(found, "vault_id")
    assert "taken to be in ft" in why(found, "depth_ft")


def test_names_that_fit_but_values_that_do_not(write):
    text = "STRUCT_NO,LID_TYPE,DEPTH,x,y\nV1,A7,deep,-147,38\nV2,B9,shallow,-147,38\n"
    assert guess("vaults", write("v.csv", text)).column_map.columns == {"vault_id": "STRUCT_NO"}
    trucks = guess("trucks", write("t.csv", "UNIT_NO,VEH_TYPE\n1,Z\n2,Q\n"))
    assert trucks.column_map.columns == {"truck_id": "UNIT_NO", "kind": "VEH_TYPE"}
    assert why(trucks, "kind").startswith("unsure: ")
    assert trucks.missing == ("depot_id", "shift_from", "shift_to")


@pytest.mark.parametrize(
    ("declared", "name", "values", "unit"),
    [
        ("vaults", "DEPTH", ["96", "84", "72"], "in"),
        ("vaults", "DEPTH", ["240", "210", "200"], "cm"),
        ("vaults", "DEPTH", ["2400", "2100", "2000"], "mm"),
        ("vaults", "DEPTH", ["8", "7", "12"], None),
        ("vaults", "LEN_M", ["3.5", "2.4", "2"], "m"),
        ("vaults", "Length (ftUS)", ["12", "10", "8"], "us_ft"),
        ("vaults", "depth_ft", ["96", "84", "72"], None),
        ("visits", "WATER_DEPTH", ["305", "150.5", "610"], "mm"),
        ("visits", "VOLUME_CUFT", ["12", "10", "8"], "cuft"),
        ("drain_pipes", "DIAM", ["300", "450", "900"], "mm"),
        ("drain_pipes", "DIAM", ["1.5", "2", "3"], "ft"),
        ("drain_pipes", "DIAM", ["12", "18", "36"], None),
        ("rainfall", "PRECIP", ["0", "12.5", "3.0", "0", "8.1"], "mm"),
        ("rainfall", "PRECIP", ["0", "0.5", "0.1", "0", "1.1"], None),
        ("trucks", "PUMP_LPM", ["450", "500", "600"], "l/min"),
    ],
)
def test_units_by_name_and_by_size(write, declared, name, values, unit):
    text = pd.DataFrame({name: values}).to_csv(index=False)
    given = list(guess(declared, write("u.csv", text)).column_map.units.values())
    assert given == ([] if unit is None else [unit])


def test_numbers_that_contradict_the_programs_own_name_are_told(write):
    found = guess("vaults", write("v.csv", "vault_id,depth_ft,x,y\n1,96,0,1\n2,84,0,1\n3,72,0,1\n"))
    assert "unsure: half of them are above 24" in why(found, "depth_ft")


@pytest.mark.parametrize(
    ("values", "form", "is_sure"),
    [
        (["2026-03-14", "2026-01-02"], None, True),
        (["3/14/2026", "1/2/2026"], "%m/%d/%Y", True),
        (["14/3/2026", "1/2/2026"], "%d/%m/%Y", True),
        (["3/4/2026", "1/2/2026"], "%m/%d/%Y", False),
        (["3/14/2026 0:00", "1/2/2026 0:00"], "%m/%d/%Y %H:%M", True),
        (["3/14/2026 10:00:00", "1/2/2026 9:30:00"], "%m/%d/%Y %H:%M:%S", True),
        (["3/14/2026 10:00 PM", "1/2/2026 9:30 AM"], "%m/%d/%Y %I:%M %p", True),
        (["14-Mar-2026", "02-Jan-2026"], "%d-%b-%Y", True),
        (["20260314", "20260102"], "%Y%m%d", True),
        (["3/14/26", "1/2/26"], "%m/%d/%y", True),
        (["14.03.2026", "02.01.2026"], "%d.%m.%Y", True),
    ],
)
def test_forms_of_days(write, values, form, is_sure):
    text = pd.DataFrame({"order_id": ["1", "2"], "due_on": values}).to_csv(index=False)
    found = guess("work_orders", write("o.csv", text))
    assert found.column_map.date_format == form
    told = why(found, "date_format")
    assert ("other way round" in told) is not is_sure
    if form is not None:
        day = pd.to_datetime(values[0], format=form).normalize()
        assert day == pd.Timestamp("2026-03-14" if is_sure else "2026-03-04")


def test_times(write):
    def of(*values: str) -> Guess:
        text = pd.DataFrame({"visit_id": IDS[: len(values)], "visited_at": values})
        return guess("visits", write("v.csv", text.to_csv(index=False)))

    assert of("2026-03-14T08:15:00Z", "2026-03-02 09:00-07:00").is_plain
    local = of("2026-03-14 08:15", "2026-03-02 09:00")
    assert local.is_plain
    assert "no zone" in why(local, "time_zone")
    assert of("2026-03-14", "2026-03-02").column_map.time_format == "%Y-%m-%d"
    serial = of("46095.34", "46083.375")
    assert serial.column_map.excel_days
    assert serial.column_map.time_format is None


@pytest.mark.parametrize(
    ("values", "thousands", "decimal", "is_sure"),
    [
        (["1,234", "12"], ",", ".", False),
        (["1,234.5", "12"], ",", ".", True),
        (["1,234,567"], ",", ".", True),
        (["2,5", "12"], None, ",", True),
        (["1.234,5", "0,25"], ".", ",", True),
        (["1 234,5"], " ", ",", True),
        (["1'234.50"], "'", ".", True),
        (["1.234", "12"], None, ".", True),
        (["0,125", "0,250"], None, ",", True),
        (["12", "x"], None, ".", True),
        ([], None, ".", True),
    ],
)
def test_marks_in_numbers(values, thousands, decimal, is_sure):
    assert marks_of([pd.Series(values, dtype="str")]) == (thousands, decimal, is_sure)


def test_words_of_trucks_and_clocks(write):
    text = (
        "truck_id,kind,depot_id,skills,shift_from,shift_to,days\n"
        'T1,CREW,D1,"splice, inspect",7:00 AM,3:30 PM,Mon-Fri\n'
        'T2,Vac Truck,D1,,0630,1500,"Mon, Wed, Fri"\n'
        "T3,barge,D1,switch,06:30,15:00,mon;tue\n"
    )
    given = guess("trucks", write("t.csv", text)).column_map.values
    assert given == {
        "kind": {"CREW": "crew", "Vac Truck": "vacuum"},
        "skills": {"splice, inspect": "splice;inspect"},
        "shift_from": {"0630": "06:30", "7:00 AM": "07:00"},
        "shift_to": {"1500": "15:00", "3:30 PM": "15:30"},
        "days": {"Mon, Wed, Fri": "mon;wed;fri", "Mon-Fri": "mon;tue;wed;thu;fri"},
    }


def place_file(write, x: list[float], y: list[float], names: str = "X,Y") -> Path:
    rows = "".join(
        f"D{at},{east},{north}\n" for at, (east, north) in enumerate(zip(x, y, strict=True))
    )
    return write("depots.csv", f"depot_id,{names}\n{rows}")


@pytest.mark.parametrize(
    ("epsg", "near"),
    [(code, near) for code in (2227, 26943, 4326, 3857) for near in (False, True)],
)
def test_the_crs_that_coordinates_fit(write, epsg, near):
    lon, lat = [-122.4, -122.3, -121.9], [37.7, 37.8, 37.3]
    to_file = pyproj.Transformer.from_crs(4326, epsg, always_xy=True)
    to_database = pyproj.Transformer.from_crs(4326, CALIFORNIA_3_FEET, always_xy=True)
    x, y = to_file.transform(lon, lat)
    west, south = to_database.transform(-122.5, 37.2)
    east, north = to_database.transform(-121.8, 37.9)
    box = (west, south, east, north) if near else None
    found = guess("depots", place_file(write, x, y), crs=CALIFORNIA_3_FEET, near=box)
    assert found.column_map.crs == f"EPSG:{epsg}"


def test_a_database_in_metres_and_a_file_in_feet(write):
    to_file = pyproj.Transformer.from_crs(4326, 2227, always_xy=True)
    x, y = to_file.transform([-122.4, -122.3], [37.7, 37.8])
    found = guess("depots", place_file(write, x, y), crs=pyproj.CRS("EPSG:26943"))
    assert found.column_map.crs == "EPSG:2227"


def test_a_crs_that_cannot_be_told(write):
    found = guess("depots", place_file(write, [5.0e8, 5.1e8], [1.0, 2.0]))
    assert found.column_map.crs is None
    assert why(found, "crs").startswith("unsure: ")
    assert "state crs" in why(found, "crs")


@pytest.mark.parametrize(
    "names",
    ["LON,LAT", "Longitude,Latitude", "POINT_X,POINT_Y", "EASTING,NORTHING", "XCOORD,YCOORD",
     "yard_x,yard_y", "Long,Lat", "GPS_LON,GPS_LAT", "x_coordinate,y_coordinate"],
)  # fmt: skip
def test_names_of_coordinates(write, names):
    found = guess("depots", place_file(write, [-147.0, -147.1], [38.0, 38.1], names))
    assert [found.column_map.x, found.column_map.y] == names.split(",")
    assert found.column_map.crs == "EPSG:4326"
    assert found.missing == ()


def test_shapes_as_text_win_and_are_read_as_nothing_else(write):
    text = 'vault_id,SHAPE,X,Y\nV1,"POINT (500000 4206000)",,\nV2,"POINT (500100 4206000)",,\n'
    path = write("v.csv", text)
    found = guess("vaults", path)
    assert found.column_map == ColumnMap(
        crs="EPSG:32606", wkt="SHAPE", columns={"vault_id": "vault_id"}
    )
    matched = match_columns(
        table("vaults"), ["vault_id", "SHAPE", "X", "Y"], path, found.column_map, has_shapes=False
    )
    assert matched.sources == {"vault_id": "vault_id"}
    assert matched.unused == ("X", "Y") == found.unused


def test_a_file_without_places_lacks_them(write):
    assert guess("depots", write("d.csv", "depot_id,name\nD1,North\n")).missing == ("geometry",)


def test_letters_and_a_file_without_rows(write):
    found = guess("depots", write("d.csv", "depot_id;Name\nD1;Château\n", "cp1252"))
    assert found.column_map.encoding == "cp1252"
    assert found.column_map.delimiter == ";"
    empty = guess("trucks", write("t.csv", "UNIT_NO,kind,depot_id,shift_from,shift_to\n"))
    assert empty.column_map.columns["truck_id"] == "UNIT_NO"
    assert empty.missing == ()


def test_a_layer_by_its_name(tmp_path):
    path = tmp_path / "export.gpkg"
    shapes = gpd.GeoSeries([Point(500_000, 4_206_000)], crs="EPSG:32606")
    for layer in ("Underground_Structures", "Ducts"):
        frame = gpd.GeoDataFrame({"STRUCT_NO": ["A1"]}, geometry=shapes)
        frame.to_file(path, layer=layer, engine="pyogrio")
    found = guess("vaults", path)
    assert found.column_map == ColumnMap(
        layer="Underground_Structures", columns={"vault_id": "STRUCT_NO"}
    )
    with pytest.raises(SettingsError, match="2 layers; name one of"):
        guess("inlets", path)
