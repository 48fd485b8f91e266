"""Rows for a page, the same from both stores."""

from __future__ import annotations

from datetime import UTC, date, datetime

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Point

from vaultplan.schema import table
from vaultplan.store.find import few_rows, find_vaults
from vaultplan.store.write import insert


@pytest.fixture
def filled(database):
    vaults = gpd.GeoDataFrame(
        {
            "vault_id": ["V-1", "V-10", "v-2", "X%1"],
            "address": ["1 Tern Street", "5 Quay_9", "7 Tern Street", None],
        },
        geometry=[Point(500_000 + n, 4_200_000) for n in range(4)],
        crs=database.crs,
    )
    visits = pd.DataFrame(
        {
            "visit_id": ["a", "b", "c"],
            "vault_id": ["V-1", "V-1", "V-10"],
            "visited_at": pd.to_datetime(
                ["2026-01-01T10:00Z", "2026-03-01T10:00Z", "2026-02-01T10:00Z"], utc=True
            ),
            "has_sheen": [True, None, False],
        }
    )
    orders = pd.DataFrame(
        {"order_id": ["O"], "vault_id": ["V-1"], "due_on": [pd.Timestamp("2026-05-01")]}
    )
    with database.writing() as connection:
        insert(connection, "vaults", table("vaults").conform(vaults))
        insert(connection, "visits", table("visits").conform(visits))
        insert(connection, "work_orders", table("work_orders").conform(orders))
    return database


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("v-1", ["V-1", "V-10"]),
        ("V-", ["V-1", "V-10", "v-2"]),
        ("tern  street", ["V-1", "v-2"]),
        ("%", []),
        ("x%", ["X%1"]),
        ("_", ["V-10"]),
        ("' OR 1=1", []),
        ("  ", []),
    ],
)
def test_what_is_typed_is_looked_for_as_it_is(filled, text, found):
    wanted = [row["vault_id"] for row in find_vaults(filled, text, most=50)]
    assert sorted(wanted) == sorted(found)


def test_no_more_than_asked_for_and_none_twice(filled):
    assert len(find_vaults(filled, "V-", most=2)) == 2
    rows = find_vaults(filled, "1", most=50)
    assert len({row["vault_id"] for row in rows}) == len(rows)


def test_a_few_rows_are_plain_values_without_shapes(filled):
    visits = few_rows(filled, "visits", {"vault_id": "V-1"}, latest_by="visited_at", most=5)
    assert [visit["visit_id"] for visit in visits] == ["b", "a"]
    assert visits[0]["visited_at"].astimezone(UTC) == datetime(2026, 3, 1, 10, tzinfo=UTC)
    assert visits[0]["has_sheen"] is None and visits[1]["has_sheen"] is True
    (vault,) = few_rows(filled, "vaults", {"vault_id": "V-1"}, most=1)
    assert vault["address"] == "1 Tern Street" and "geometry" not in vault
    (order,) = few_rows(filled, "work_orders", {"vault_id": "V-1"}, most=1)
    assert order["due_on"] == date(2026, 5, 1)
    assert few_rows(filled, "visits", {"vault_id": "V-1"}, columns=["visit_id"], most=1) == [
        {"visit_id": "a"}
    ]
