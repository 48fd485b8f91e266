"""The page about data: what it is told by tables solved by hand, and what it may not hold."""

from __future__ import annotations

import json
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from vaultplan import schema
from vaultplan.errors import OutputError
from vaultplan.intake.quality import check_frames, field_quality, row_findings, rule_words
from vaultplan.outputs.maps.lines import Grid
from vaultplan.outputs.quality.moves import MOST_DRAWN, moved_rows, moves_on_map, reach_of
from vaultplan.outputs.quality.page import write_quality_page

CRS = "EPSG:32606"
X0, Y0 = 500_000.0, 4_206_000.0  # in the open sea, as all demo data
NOON = pd.Timestamp("2026-10-30T22:00Z")
DEGREES = 'crs = "EPSG:4326"\nx = "LON"\ny = "LAT"\n'


def table(name, rows):
    declared = schema.table(name)
    frame = pd.DataFrame(rows)
    if declared.geometry is not None:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS)
    return declared.conform(frame)


def load(load_id, file, rows, **more):
    rows_in, loaded, repaired, aside = rows
    return {
        "load_id": load_id,
        "table_name": "vaults",
        "file": file,
        "loaded_at": NOON,
        "rows_in": rows_in,
        "rows_loaded": loaded,
        "rows_repaired": repaired,
        "rows_quarantined": aside,
        **more,
    }


def change(number, load_id, key, rule, before, after, column="geometry"):
    return {
        "change_id": f"{load_id}-{number}",
        "changed_at": NOON,
        "table_name": "vaults",
        "row_key": key,
        "column_name": column,
        "before": before,
        "after": after,
        "load_id": load_id,
        "rule": rule,
    }


def raw(load_id, row, key, state, rules, **values):
    told = json.dumps(values)
    return {
        **{"load_id": load_id, "row": row, "row_key": key, "state": state, "rules": rules},
        "raw": told,
    }


@pytest.fixture
def frames():
    """Four vaults; of two files some rows were moved, and some set aside."""
    vaults = [
        {
            "vault_id": name,
            "district": district,
            "depth_ft": depth,
            "geometry": Point(X0 + 200 * n, Y0),
        }
        for n, (name, district, depth) in enumerate(
            [("A", "North", 8.0), ("B", "North", None), ("C", "South", 7.0), ("D", None, 7.0)]
        )
    ]
    findings = [
        ("L1", 1, "swapped_axes", "error", 2, "C", "geometry", "POINT (1 2)", True),
        ("L1", 2, "swapped_axes", "error", 5, "E", "geometry", "POINT (3 4)", False),
        ("L1", 3, "size_missing", "warning", 3, "B", "depth_ft", None, False),
    ]
    columns = [
        "load_id",
        "number",
        "rule",
        "severity",
        "row",
        "row_key",
        "column_name",
        "proposal",
        "repaired",
    ]
    found = pd.DataFrame(findings, columns=columns)
    found[["fault", "remedy"]] = ["is odd", "mend it"]
    return {
        "project": table("project", [{"fact": "name", "value": "Saltmarrow"}]),
        "vaults": table("vaults", vaults),
        "roads": table(
            "roads",
            [{"road_id": "R", "geometry": LineString([(X0, Y0 - 50), (X0 + 900, Y0 - 50)])}],
        ),
        "loads": table(
            "loads",
            [
                load("L1", "west.csv", (10, 5, 2, 3), recipe=DEGREES),
                load("L2", "east.gpkg", (4, 3, 1, 0), crs="EPSG:32606"),
            ],
        ),
        "findings": table("findings", found),
        "changes": table(
            "changes",
            [
                change(
                    1,
                    "L1",
                    "C",
                    "swapped_axes",
                    "POINT (38.0 -147.0)",
                    f"POINT ({X0 + 400} {Y0})",
                ),
                change(2, "L1", "C", "size_in_inches", "96", "8", column="depth_ft"),
                change(3, "L2", "D", "wrong_grid", "Polygon", f"POINT ({X0 + 600} {Y0})"),
            ],
        ),
        "raw_rows": table(
            "raw_rows",
            [
                raw("L1", 2, "C", "repaired", "swapped_axes", LON="38.0", LAT="-147.0"),
                raw("L1", 5, "E", "quarantined", "unknown_word", LON="-146.999", LAT="38.002"),
                raw("L1", 6, "F", "quarantined", "zero_place", LON="0", LAT="0"),
                raw("L1", 7, "G", "quarantined", "half_a_place", LON="1", LAT=None),
                {
                    **raw("L2", 1, "D", "repaired", "wrong_grid"),
                    "raw": json.dumps({"(shape)": f"POINT ({X0 + 650} {Y0 + 40})"}),
                },
            ],
        ),
    }


def write(frames, path):
    write_quality_page(
        frames,
        path,
        fields=field_quality(frames),
        report=check_frames(frames),
        rows=row_findings(frames),
        rules=rule_words(),
    )
    return path.read_text(encoding="utf-8")


def data_of(page):
    found = re.search(r'id="vaultplan-data">(.*?)</script>', page, re.DOTALL)
    assert found
    return json.loads(found[1])


def test_nothing_in_the_page_could_be_fetched_or_run_from_elsewhere(frames, tmp_path):
    page = write(frames, tmp_path / "q.html")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert policy and policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert policy[1].count("'sha256-") == 2
    markup = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert not re.search(r"""(src|href)\s*=\s*["']?\s*(https?:)?//""", markup, re.IGNORECASE)
    assert "<script src" not in page and "{{" not in markup


def test_the_same_tables_give_the_same_bytes(frames, tmp_path):
    assert write(frames, tmp_path / "a.html") == write(frames, tmp_path / "b.html")


def test_a_folder_that_is_not_there_is_told(frames, tmp_path):
    with pytest.raises(OutputError, match="no folder"):
        write(frames, tmp_path / "nowhere" / "q.html")


def test_loads_and_findings_add_up_by_hand(frames, tmp_path):
    data = data_of(write(frames, tmp_path / "q.html"))
    loads = {line["file"]: line for line in data["loads"]["shown"]}
    west = loads["west.csv"]
    assert [west[key] for key in ("rows_in", "loaded", "repaired", "aside")] == [10, 5, 2, 3]
    swapped, missing = data["found"]
    assert (swapped["rule"], swapped["rows"], swapped["repaired"]) == ("swapped_axes", 2, 1)
    assert swapped["meaning"] == "x and y are swapped" and swapped["repair"] == "swap them back"
    # Rows that are left to be mended come first.
    assert [line["outcome"] for line in swapped["examples"]] == [
        "could be: POINT (3 4)",
        "repaired: POINT (1 2)",
    ]
    assert missing["severity"] == "warning" and "outcome" not in missing["examples"][0]
    assert data["head"]["as_of"] == "Fri 30 Oct 2026, 22:00"


def test_a_kind_that_fills_its_list_is_told_as_at_least(frames, tmp_path):
    first = frames["findings"].iloc[[0]]
    many = pd.concat([first] * 10_000, ignore_index=True)
    many["number"] = np.arange(10, 10_010)
    frames["findings"] = pd.concat([frames["findings"], many], ignore_index=True)
    data = data_of(write(frames, tmp_path / "q.html"))
    capped = {line["rule"]: line["is_capped"] for line in data["found"]}
    assert capped == {"swapped_axes": True, "size_missing": False}
    assert len(data["found"][0]["examples"]) == 20


def test_faults_of_the_database_come_with_their_rows_but_blanks_do_not(frames, tmp_path):
    data = data_of(write(frames, tmp_path / "q.html"))
    told = {(line["table"], line["rule"]): line for line in data["now"]}
    sizes = told["vaults", "size_missing"]
    assert sizes["rows"] == 4 and [row["row_key"] for row in sizes["examples"]] == list("ABCD")
    assert ("vaults", "blank") not in told
    assert ("visits", "no_rows") in told


def test_fields_by_district_reach_the_page(frames, tmp_path):
    data = data_of(write(frames, tmp_path / "q.html"))
    (vaults,) = [own for own in data["fields"] if own["table"] == "vaults"]
    assert vaults["districts"] == ["(all)", "", "North", "South"]
    depth = {column["name"]: column for column in vaults["columns"]}["depth_ft"]
    assert depth["cells"] == [[4, 3, 0], [1, 1, 0], [2, 1, 0], [1, 1, 0]]
    (roads,) = [own for own in data["fields"] if own["table"] == "roads"]
    assert roads["districts"] == ["(all)"]


def test_only_the_largest_districts_are_shown_and_the_rest_counted(frames, tmp_path):
    vaults = [
        {"vault_id": f"V{n}", "district": f"D{n % 70:02d}", "geometry": Point(X0 + n, Y0)}
        for n in range(150)  # ten districts have three vaults, sixty have two
    ]
    frames["vaults"] = table("vaults", vaults)
    data = data_of(write(frames, tmp_path / "q.html"))
    (own,) = [own for own in data["fields"] if own["table"] == "vaults"]
    assert len(own["districts"]) == 61 and own["left_out"] == 10
    assert {f"D{n:02d}" for n in range(10)} <= set(own["districts"])


def test_places_before_are_read_in_the_file_and_after_in_the_database(frames):
    rows = moved_rows(frames).set_index("row_key")
    assert rows["state"].to_dict() == {
        **{"C": "moved", "D": "moved"},
        **{"E": "aside", "F": "aside", "G": "aside"},
    }
    before = rows[["before_lon", "before_lat"]].to_numpy()
    assert before[2] == pytest.approx([-146.999, 38.002])
    assert before[3].tolist() == [0.0, 0.0]
    assert np.isnan(before[4]).all()
    expected = gpd.GeoSeries([Point(X0 + 650, Y0 + 40), Point(X0 + 600, Y0)], crs=CRS).to_crs(4326)
    assert before[1] == pytest.approx([expected.x[0], expected.y[0]])
    after = rows.loc["D", ["after_lon", "after_lat"]].to_numpy(float)
    assert after == pytest.approx([expected.x[1], expected.y[1]])
    assert rows["written"].to_dict() == {
        **{"C": "38, -147", "E": "-146.999, 38.002", "F": "0, 0", "G": "no place"},
        "D": f"{X0 + 650:.0f}, {Y0 + 40:.0f}",
    }
    assert rows.loc["C", "row"] == 2 and rows.loc["F", "rules"] == "zero_place"


def test_what_lies_far_away_is_listed_and_not_drawn(frames, tmp_path):
    moves = data_of(write(frames, tmp_path / "q.html"))["moves"]
    drawn = {row["row_key"]: row for row in moves["drawn"]}
    assert set(drawn) == {"C", "D", "E"}
    assert drawn["C"]["before"] is None and drawn["C"]["after"]
    assert drawn["D"]["before"] and drawn["D"]["after"]
    assert drawn["E"]["before"] and drawn["E"]["after"] is None
    off = {row["row_key"]: row["written"] for row in moves["off"]}
    assert off == {"C": "38, -147", "F": "0, 0", "G": "no place"}
    assert (moves["drawn_of"], moves["off_of"]) == (3, 3)


def test_a_change_without_its_raw_row_falls_back_on_what_it_says(frames):
    frames["raw_rows"] = frames["raw_rows"].iloc[:0]
    rows = moved_rows(frames).set_index("row_key")
    assert rows["written"].to_dict() == {"C": "38, -147", "D": "no place"}
    assert rows["file"].to_dict() == {"C": "west.csv", "D": "east.gpkg"}
    assert rows["row"].isna().all()


def test_a_place_that_only_the_change_tells_is_read_in_the_crs_of_its_load(frames):
    frames["raw_rows"] = frames["raw_rows"].iloc[:0]
    frames["changes"]["before"] = [f"POINT ({X0 + 400} {Y0})"] * 3
    frames["loads"]["crs"] = CRS
    rows = moved_rows(frames).set_index("row_key")
    assert rows.loc["C", ["before_lon", "before_lat"]].to_numpy(float) == pytest.approx(
        rows.loc["C", ["after_lon", "after_lat"]].to_numpy(float)
    )


def test_a_recipe_or_row_that_cannot_be_read_has_no_place(frames):
    frames["loads"]["recipe"] = "not = = toml"
    frames["loads"]["crs"] = "EPSG:nothing"
    frames["raw_rows"]["raw"] = ["[1]", "{", '{"(shape)": "POINT (x"}', '{"X": "a", "y": 1}', "{}"]
    rows = moved_rows(frames)
    assert rows[["before_lon", "before_lat"]].isna().all().all()
    assert rows["after_lon"].notna().tolist() == [True, True, False, False, False]


def test_more_rows_than_can_be_drawn_are_counted(frames):
    rows = pd.concat([moved_rows(frames)] * 2_000, ignore_index=True)
    moves = moves_on_map(rows, reach_of([frames["vaults"]]), Grid(-147.0, 38.0))
    assert len(moves["drawn"]) == MOST_DRAWN == 5_000
    assert (moves["drawn_of"], moves["off_of"], len(moves["off"])) == (6_000, 6_000, 500)


def test_a_large_fleet_is_counted_in_hexes(frames, tmp_path):
    xs = np.random.default_rng(3).uniform(0, 9_000, (10_001, 2))
    places = gpd.points_from_xy(X0 + xs[:, 0], Y0 + xs[:, 1])
    ids = [f"V{n}" for n in range(len(xs))]
    vaults = gpd.GeoDataFrame({"vault_id": ids}, geometry=places, crs=CRS)
    frames["vaults"] = schema.table("vaults").conform(vaults)
    data = data_of(write(frames, tmp_path / "q.html"))
    assert data["vaults"]["x"] == [] and sum(data["hexes"]["count"]) == 10_001


def test_an_empty_database_makes_a_page_too(tmp_path):
    data = data_of(write({}, tmp_path / "q.html"))
    assert data["head"] == {"name": "a database without a name", "as_of": "", "counts": ""}
    assert data["loads"] == {"shown": [], "of": 0} and data["moves"]["drawn"] == []


def test_each_template_is_used(frames, tmp_path):
    page = write(frames, tmp_path / "q.html")
    folder = Path(schema.__file__).parent / "outputs" / "quality"
    own = sorted(path.name for path in folder.iterdir() if path.suffix in (".css", ".html", ".js"))
    assert own == ["fields.js", "map.js", "page.css", "page.html", "page.js"]
    for name in own[:3] + own[4:]:
        assert (folder / name).read_text(encoding="utf-8") in page
