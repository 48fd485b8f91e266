"""Declared columns and tables, and how a frame is brought into their shape."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import Point

from vaultplan.columns import (
    FRAME_DTYPES,
    Table,
    clock,
    date,
    flag,
    integer,
    must,
    real,
    shape,
    text,
    time,
    words,
)
from vaultplan.errors import SchemaError

PLAIN = Table(
    "things",
    "Things.",
    ("thing_id",),
    (
        must(text("thing_id", "id")),
        words("colors", "colours"),
        integer("pieces", "pieces"),
        real("length_ft", "length", "ft"),
        flag("is_wet", "wet"),
        date("seen_on", "day seen"),
        time("seen_at", "moment seen"),
        clock("open_from", "opens"),
    ),
)
PLACED = Table(
    "places", "Places.", ("place_id",), (must(text("place_id", "id")), shape("POINT", "where"))
)


def test_every_type_gets_its_frame_type():
    frame = pd.DataFrame(
        {
            "thing_id": ["007", "8"],
            "colors": ["red;blue", None],
            "pieces": [3, None],
            "length_ft": ["2.5", None],
            "is_wet": [True, None],
            "seen_on": ["2024-02-29", None],
            "seen_at": ["2024-02-29T23:30:00-10:00", None],
            "open_from": ["07:30", None],
        }
    )
    shaped = PLAIN.conform(frame)
    expected = [FRAME_DTYPES[column.type] for column in PLAIN.columns]
    assert [str(dtype) for dtype in shaped.dtypes] == expected
    assert shaped["thing_id"].tolist() == ["007", "8"]
    assert shaped.loc[0, "length_ft"] == 2.5
    assert shaped.loc[0, "seen_at"] == pd.Timestamp("2024-03-01T09:30:00Z")
    assert shaped.loc[1].drop("thing_id").isna().all()


def test_missing_optional_columns_come_back_blank_and_strange_ones_go():
    shaped = PLAIN.conform(pd.DataFrame({"thing_id": ["a"], "unheard_of": [1]}))
    assert tuple(shaped.columns) == PLAIN.column_names
    assert shaped.drop(columns="thing_id").isna().all(axis=None)


def test_conform_twice_is_conform_once():
    once = PLAIN.conform(pd.DataFrame({"thing_id": ["a", "b"], "pieces": [1, None]}))
    pd.testing.assert_frame_equal(PLAIN.conform(once), once)


def test_the_callers_frame_is_left_alone():
    frame = pd.DataFrame({"thing_id": ["a"], "pieces": ["4"]})
    before = frame.copy()
    PLAIN.conform(frame)
    pd.testing.assert_frame_equal(frame, before)


def test_a_missing_required_column_is_named():
    with pytest.raises(SchemaError, match=r"things lacks required column\(s\): thing_id"):
        PLAIN.conform(pd.DataFrame({"pieces": [1]}))


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("pieces", 2.5),
        ("length_ft", "long"),
        ("seen_on", "2024-02-30"),
        ("seen_at", "noon"),
        ("is_wet", "perhaps"),
    ],
)
def test_a_value_of_the_wrong_type_is_named(column, value):
    with pytest.raises(SchemaError, match=rf"things\.{column} is not"):
        PLAIN.conform(pd.DataFrame({"thing_id": ["a"], column: [value]}))


def test_shapes_keep_their_crs_and_index():
    frame = gpd.GeoDataFrame(
        {"place_id": ["a", "b"]}, geometry=[Point(1, 2), None], crs="EPSG:32606", index=[7, 9]
    )
    shaped = PLACED.conform(frame)
    assert isinstance(shaped, gpd.GeoDataFrame)
    assert shaped.crs == "EPSG:32606"
    assert shaped.index.tolist() == [7, 9]
    assert shaped.geometry.iloc[0] == Point(1, 2)
    assert shaped.geometry.iloc[1] is None


def test_a_table_of_places_needs_shapes():
    with pytest.raises(SchemaError, match=r"lacks required column\(s\): geometry"):
        PLACED.conform(pd.DataFrame({"place_id": ["a"]}))
    with pytest.raises(SchemaError, match="places needs a geometry column"):
        PLACED.conform(pd.DataFrame({"place_id": ["a"], "geometry": ["POINT (1 2)"]}))


def test_empty_tables_have_all_columns_and_types():
    plain = PLAIN.empty()
    assert len(plain) == 0
    assert [str(dtype) for dtype in plain.dtypes] == [FRAME_DTYPES[c.type] for c in PLAIN.columns]
    placed = PLACED.empty("EPSG:32606")
    assert isinstance(placed, gpd.GeoDataFrame)
    assert placed.crs == "EPSG:32606"


def test_frames_of_one_table_stack_without_changing_types():
    one = PLAIN.conform(pd.DataFrame({"thing_id": ["a"], "pieces": [np.int32(1)]}))
    both = pd.concat([one, PLAIN.empty()], ignore_index=True)
    assert both.dtypes.equals(one.dtypes)


def test_asking_for_a_column_that_is_not_there():
    assert PLAIN.column("pieces").type == "integer"
    with pytest.raises(SchemaError, match="no column 'weight'"):
        PLAIN.column("weight")
