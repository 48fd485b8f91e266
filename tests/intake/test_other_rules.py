"""What the trade knows of orders, samples and pipes, on rows solved by hand."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pyproj
from shapely import LineString, Point

from vaultplan.intake.around import Around, node_places, vault_facts
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.other_rules import check_orders, check_pipes, check_samples
from vaultplan.intake.rules import asked_for
from vaultplan.intake.survey import Surveyor
from vaultplan.schema import table

UTM = pyproj.CRS.from_epsg(32606)
E, N = 500_000.0, 4_206_000.0


def text_of(frame: pd.DataFrame) -> dict[str, pd.Series]:
    return {name: frame[name].astype("str").where(frame[name].notna()) for name in frame}


def test_orders_at_idle_vaults_and_days_the_wrong_way_round():
    frame = pd.DataFrame(
        {
            "vault_id": ["V1", "OLD", "OLD"],
            "status": ["open", None, "done"],
            "earliest_on": pd.to_datetime(["2026-11-09", "2026-11-02", None]),
            "due_on": pd.to_datetime(["2026-11-04", "2026-11-04", "2026-11-04"]),
        },
        index=[2, 3, 4],
    )
    vaults = vault_facts(None).reindex(["V1", "OLD"]).assign(status=["in_service", "retired"])
    book = FindingBook(asked_for(["due_before_start"]))
    mended = check_orders(frame, text_of(frame), Around(vaults=vaults), book)
    found = book.findings()
    assert sorted(zip(found["row"], found["rule"], strict=True)) == [
        (2, "due_before_start"),
        (3, "order_at_idle"),
    ]
    days = mended.loc[2, ["earliest_on", "due_on"]].tolist()
    assert days == [pd.Timestamp("2026-11-04"), pd.Timestamp("2026-11-09")]


def test_a_result_or_a_condition_never_both_or_neither():
    # WQX: a result value or a result detection condition (EPA, Water Quality Exchange).
    frame = pd.DataFrame(
        {
            "result_value": [1.0, None, 1.0, None],
            "detection_condition": [None, "Not Detected", "Not Detected", None],
        },
        index=[2, 3, 4, 5],
    )
    book = FindingBook()
    assert check_samples(frame, text_of(frame), book) is frame
    found = book.findings()
    assert sorted(zip(found["row"], found["rule"], strict=True)) == [
        (4, "limit_as_value"),
        (5, "value_and_condition"),
    ]


def test_a_value_beside_a_condition_is_taken_for_the_limit_where_that_is_asked_for():
    """A result below 2 written as 2 and not detected; with a limit of its own nobody can know."""
    frame = pd.DataFrame(
        {
            "result_value": [2.0, 2.0, 0.0],
            "detection_condition": ["Not Detected"] * 3,
            "reporting_limit": [None, 1.0, None],
        },
        index=[2, 3, 4],
    )
    book = FindingBook(asked_for(["limit_as_value"]))
    mended = check_samples(frame, text_of(frame), book)
    assert mended["reporting_limit"].tolist()[:2] == [2.0, 1.0]
    assert mended["result_value"].isna().tolist() == [True, False, False]
    found = book.findings()
    assert found.set_index("row")["rule"].to_dict() == {
        2: "limit_as_value",
        3: "value_and_condition",
        4: "value_and_condition",
    }
    changes = book.take_chunk()[1]
    assert sorted(changes["column"]) == ["reporting_limit", "result_value"]


def line(*xs: float) -> LineString:
    return LineString([(E + x, N) for x in xs])


def pipes(*rows: tuple[str, str, LineString]) -> gpd.GeoDataFrame:
    frame = pd.DataFrame([row[:2] for row in rows], columns=["from_node", "to_node"], dtype="str")
    frame.index = pd.RangeIndex(1, 1 + len(rows))
    return gpd.GeoDataFrame(frame, geometry=[row[2] for row in rows], crs=UTM)


def turned(frame: gpd.GeoDataFrame, around: Around | None = None) -> list[int]:
    surveyor = Surveyor(table("drain_pipes"), UTM, around or Around())
    surveyor.take(pd.DataFrame(frame.drop(columns="geometry")), frame.geometry)
    survey = surveyor.tell()
    book = FindingBook(asked_for(["against_flow"]))
    mended = check_pipes(frame, survey, book)
    rows = book.findings().query("rule == 'against_flow'")["row"].tolist()
    for row in rows:
        assert mended.geometry.loc[row].equals_exact(frame.geometry.loc[row].reverse(), 0)
    return rows


def test_a_pipe_drawn_backwards_between_its_neighbours():
    assert turned(pipes(("a", "b", line(0, 50)), ("b", "c", line(50, 90)))) == []
    chain = pipes(("a", "b", line(0, 50)), ("b", "c", line(90, 50)), ("c", "d", line(90, 120)))
    assert turned(chain) == [2]


def test_the_last_pipe_is_known_by_its_outfall_and_a_lone_one_not_at_all():
    lone = pipes(("a", "b", line(50, 0)))
    assert turned(lone) == []
    outfall = gpd.GeoDataFrame({"node_id": ["b"]}, geometry=[Point(E + 50, N)], crs=UTM)
    around = Around(nodes=node_places(outfall, "node_id"))
    assert turned(lone, around) == [1]


def test_a_pipe_that_ends_where_it_begins():
    surveyor = Surveyor(table("drain_pipes"), UTM, Around())
    book = FindingBook()
    check_pipes(pipes(("a", "a", line(0, 50))), surveyor.tell(), book)
    assert book.findings()["rule"].tolist() == ["pipe_ring"]
