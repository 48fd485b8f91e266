"""Which orders are offered, with what, and why the others are not."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from vaultplan.schedule import build_jobs
from vaultplan.schema import table
from vaultplan.settings import ScheduleSettings

SETTINGS = ScheduleSettings()
WEEK = pd.date_range("2026-11-02", periods=7)


def tables(made, *orders, vaults=None, **days):
    """Frames for orders given as dicts; ``days`` changes forecasts and decisions by vault and day.

    ``days`` maps ``V1`` to a function of the day number that returns changes for that day.
    """
    work_orders = made.frame(
        "work_orders",
        [
            {"order_id": f"o{n}", "vault_id": f"v{n}", "status": "open", "priority": 3} | order
            for n, order in enumerate(orders, start=1)
        ],
    )
    ids = sorted(set(work_orders["vault_id"]))
    vaults = vaults or {}
    known = [
        {"vault_id": vault, "status": "in_service", "geometry": Point(n, n)} | vaults.get(vault, {})
        for n, vault in enumerate(ids)
        if vaults.get(vault, {}) is not None
    ]
    rows = []
    for vault in ids:
        for number, on in enumerate(WEEK):
            change = days.get(vault, lambda _: {})(number)
            rows.append(
                {
                    "vault_id": vault,
                    "on": on,
                    "method": "storm_drain",
                    "gate": "go",
                    "rules_fired": "",
                    "reason": "clear",
                    "volume_gal_p10": 10.0,
                    "volume_gal_p50": 100.0,
                    "volume_gal_p90": 300.0,
                    "refill_hours_p10": 2.0,
                }
                | change
            )
    rankings = [
        {"order_id": order, "vault_id": vault, "rank": n, "score": 80.0 - n, "reason": f"rank {n}"}
        for n, (order, vault) in enumerate(
            zip(work_orders["order_id"], work_orders["vault_id"], strict=True), start=1
        )
    ]
    both = pd.DataFrame(rows)
    return {
        "work_orders": work_orders,
        "vaults": made.frame("vaults", known),
        "rankings": made.frame("rankings", rankings),
        "forecasts": table("forecasts").conform(both),
        "decisions": table("decisions").conform(both),
    }


def build(made, frames, settings=SETTINGS):
    return build_jobs(frames, made.MONDAY, plan_id="p", settings=settings)


def test_a_plain_order(made):
    frames = tables(made, {"skill": "splice", "task_minutes": 25, "window_from": "09:00"})
    jobs, left = build(made, frames)
    assert left.empty and isinstance(jobs, gpd.GeoDataFrame) and jobs.crs == frames["vaults"].crs
    row = jobs.iloc[0]
    assert row["allowed_days"] == ";".join(WEEK.strftime("%Y-%m-%d"))
    assert (row["method"], row["gate"], row["load_gal"]) == ("storm_drain", "go", 300.0)
    assert (row["setup_minutes"], row["task_minutes"], row["refill_minutes"]) == (10, 25, 120)
    assert (row["rank"], row["score"], row["window_from"]) == (1, 79.0, "09:00")
    assert row["reason"] == "rank 1; clear"
    assert row["geometry"] == Point(0, 0)


def test_days_from_the_earliest_and_overdue_and_later_ones_offered(made):
    frames = tables(
        made,
        {"earliest_on": "2026-11-05"},
        {"due_on": "2026-10-01"},
        {"due_on": "2026-12-24"},
        {"earliest_on": "2026-11-09"},
        {"status": "done"},
    )
    jobs, left = build(made, frames)
    assert jobs["order_id"].tolist() == ["o1", "o2", "o3"] and left.empty
    days = jobs.set_index("order_id")["allowed_days"]
    assert days["o1"] == "2026-11-05;2026-11-06;2026-11-07;2026-11-08"
    assert len(days["o2"].split(";")) == 7
    assert jobs["due_on"].iloc[1] == pd.Timestamp("2026-10-01")


def test_hold_on_some_days_leaves_the_others_and_says_so(made):
    frames = tables(
        made,
        {},
        v1=lambda day: {"gate": "hold", "reason": "rain"} if day in (0, 2) else {},
    )
    jobs, left = build(made, frames)
    assert left.empty
    assert jobs["allowed_days"].iloc[0].split(";")[:2] == ["2026-11-03", "2026-11-05"]
    assert "not on Mon, Wed: held or referred" in jobs["reason"].iloc[0]


def test_days_that_nobody_works_are_neither_offered_nor_called_held(made):
    frames = tables(made, {})
    for name in ("forecasts", "decisions"):
        frames[name] = frames[name][frames[name]["on"].dt.day_of_week < 5]
    jobs, _ = build(made, frames)
    assert len(jobs["allowed_days"].iloc[0].split(";")) == 5
    assert "not on" not in jobs["reason"].iloc[0]


def test_the_highest_method_and_load_of_the_allowed_days_only(made):
    steps = {
        0: {"method": "filter_sock", "volume_gal_p90": 500.0, "reason": "light"},
        1: {"method": "vacuum_truck", "volume_gal_p90": 900.0, "gate": "hold"},
        2: {"method": "storm_drain", "volume_gal_p90": 700.0},
    }
    jobs, _ = build(made, tables(made, {}, v1=lambda day: steps.get(day, {})))
    row = jobs.iloc[0]
    assert (row["method"], row["load_gal"]) == ("filter_sock", 700.0)
    assert "light" in row["reason"]


def test_load_by_the_median_if_so_set(made):
    jobs, _ = build(made, tables(made, {}), ScheduleSettings(load_percentile=50))
    assert jobs["load_gal"].iloc[0] == 100.0


@pytest.mark.parametrize(
    ("hours", "minutes"), [(2.0, 120.0), (9.0, 240.0), (0.1, 30.0), (None, 240.0)]
)
def test_refill_is_held_between_its_bounds(made, hours, minutes):
    frames = tables(made, {}, v1=lambda _: {"refill_hours_p10": hours})
    assert build(made, frames)[0]["refill_minutes"].iloc[0] == minutes


def test_held_referred_and_undecided(made):
    def hold(_):
        return {"gate": "hold", "reason": "wet week"}

    def mixed(day):
        return {"gate": "refer" if day == 3 else "hold", "reason": f"gate of day {day}"}

    frames = tables(made, {}, {}, {}, {"earliest_on": "2026-11-07"}, v1=hold, v2=mixed)
    frames["decisions"] = frames["decisions"][frames["decisions"]["vault_id"] != "v3"]
    frames["decisions"].loc[frames["decisions"]["vault_id"] == "v4", "gate"] = "refer"
    jobs, left = build(made, frames)
    assert jobs.empty
    outcome = left.set_index("order_id")["outcome"].to_dict()
    assert outcome == {"o1": "held", "o2": "referred", "o3": "referred", "o4": "referred"}
    reason = left.set_index("order_id")["reason"]
    assert reason["o1"] == ("wet week (Mon 02 Nov to Sun 08 Nov); no day of this week may go ahead")
    assert reason["o2"].startswith("gate of day 3 (Thu 05 Nov")
    assert "no discharge decision" in reason["o3"]
    assert "(Sat 07 Nov to Sun 08 Nov)" in reason["o4"]


def test_vaults_that_cannot_be_worked(made):
    frames = tables(
        made,
        {},
        {},
        {},
        {},
        {},
        vaults={
            "v1": None,
            "v2": {"status": "retired"},
            "v3": {"status": "other_owner"},
            "v4": {"geometry": None},
            "v5": {"status": None},
        },
    )
    jobs, left = build(made, frames)
    assert jobs["order_id"].tolist() == ["o5"]
    assert set(left["outcome"]) == {"not_possible"}
    words = left.set_index("order_id")["reason"]
    for order, word in (("o1", "vaults table"), ("o2", "retired"), ("o3", "owner"), ("o4", "loc")):
        assert word in words[order]


def test_an_unknown_load_is_not_an_empty_vault(made):
    frames = tables(made, {}, {}, v2=lambda _: {"volume_gal_p90": None, "volume_gal_p50": None})
    frames["forecasts"] = frames["forecasts"][frames["forecasts"]["vault_id"] != "v1"]
    jobs, left = build(made, frames)
    assert jobs.empty
    assert left["reason"].str.contains("load is unknown").all()


def test_only_the_best_ranked_are_taken(made):
    frames = tables(made, {}, {}, {}, {"priority": None})
    frames["rankings"] = frames["rankings"].iloc[[2, 1, 0]].assign(rank=[1, 2, 3])
    jobs, left = build(made, frames, ScheduleSettings(max_jobs=2))
    assert jobs["order_id"].tolist() == ["o3", "o2"]
    assert left.set_index("order_id")["outcome"].to_dict() == {
        "o1": "not_scheduled",
        "o4": "not_scheduled",
    }
    assert "best 2 " in left["reason"].iloc[0]


def test_no_orders_at_all(made):
    frames = tables(made, {"status": "done"})
    jobs, left = build(made, frames)
    assert jobs.empty and left.empty and list(jobs.columns) == list(table("plan_jobs").column_names)


def test_unstated_work_time_is_assumed_and_said(made):
    jobs, _ = build(made, tables(made, {}), ScheduleSettings(task_minutes=45))
    assert jobs["task_minutes"].iloc[0] == 45
    assert "work time not stated, assumed" in jobs["reason"].iloc[0]


def test_an_order_with_blank_status_counts_as_open(made):
    frames = tables(made, {"status": None}, {"status": "done"})
    jobs, left = build(made, frames)
    assert jobs["order_id"].tolist() == ["o1"]
    assert left.empty
