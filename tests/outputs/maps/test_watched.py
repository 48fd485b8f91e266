"""Which planned discharge stands under which water on the specialist's map."""

from __future__ import annotations

import pandas as pd

from vaultplan.outputs.maps.data import page_data
from vaultplan.outputs.maps.watched import overrides_told, reached_waters
from vaultplan.schema import table


def told(frames, settings):
    return page_data(frames, settings, 10_000, "watch")


def test_only_discharges_and_what_is_kept_back_are_on_it(week_frames, week_settings):
    data = told(week_frames, week_settings)
    assert {stop["kind"] for stop in data["stops"]} == {"pump_out"}
    pumped = week_frames["plan_stops"]["kind"].eq("pump_out").sum()
    assert len(data["stops"]) == pumped
    assert {row["outcome"] for row in data["left"]} <= {"held", "referred"}
    assert data["routes"] == []


def test_each_water_lists_what_reaches_it_strictest_first(week_frames, week_settings):
    data = told(week_frames, week_settings)
    order = ("protected", "high", "unknown", "elevated", "ordinary")
    ranks = [order.index(row["sensitivity"]) for row in data["watched"]]
    assert ranks == sorted(ranks)
    passed = week_frames["traces"].set_index("vault_id")["waters_passed"].fillna("")
    ids = data["vaults"]["vault_id"]
    for water in data["watched"]:
        meant = {
            k
            for k, stop in enumerate(data["stops"])
            if water["water_id"] in passed[ids[stop["vault"]]].split(";")
        }
        assert set(water["stops"]) == meant
        days = [(data["stops"][k]["day"], data["stops"][k]["arrive"]) for k in water["stops"]]
        assert days == sorted(days)


def test_second_ways_count_where_the_plan_knows_them(week_frames):
    ways = pd.DataFrame(
        {"vault_id": ["v", "v"], "water_id": ["w", None], "way": ["second", "main"]}
    )
    known = reached_waters({**week_frames, "reached": ways})
    assert known["water_id"].fillna("").tolist() == ["w", ""]


def test_all_that_ends_at_an_outfall_by_any_way_stands_behind_it(week_frames, week_settings):
    """SM-1010 also runs to OF-9 by a second way, SM-1020 (held) to OF-9 alone."""
    ways = pd.DataFrame(
        {
            "vault_id": ["SM-1010", "SM-1020"],
            "water_id": ["W-LAG", None],
            "outfall_id": ["OF-4", "OF-9"],
            "other_outfalls": ["OF-9", ""],
        }
    )
    data = told({**week_frames, "reached": ways}, week_settings)
    names = data["vaults"]["vault_id"]
    assert set(data["behind"]) == {"OF-4", "OF-9"}
    (at,) = data["behind"]["OF-9"]["stops"]
    assert names[data["stops"][at]["vault"]] == "SM-1010"
    (kept,) = data["behind"]["OF-9"]["left"]
    assert names[data["left"][kept]["vault"]] == "SM-1020"
    (unknown,) = [row for row in data["watched"] if not row["water_id"]]
    assert unknown["left"] == [kept] and unknown["sensitivity"] == "unknown"


def test_the_sea_comes_last_among_waters_as_strict(week_frames, week_settings):
    week_frames["sensitivities"]["sensitivity"] = "high"
    names = [row["name"] for row in told(week_frames, week_settings)["watched"] if row["water_id"]]
    assert names[-1] == "Longreach Bay"


def test_notices_due_stand_at_their_water(week_frames, week_settings):
    day = pd.Timestamp("2026-02-28")
    notices = pd.DataFrame({"water_id": ["W-LAG"], "due_on": [day], "vault_id": ["SM-1010"]})
    data = told({**week_frames, "notices": notices}, week_settings)
    due = {row["water_id"]: row["due"] for row in data["watched"]}
    assert due["W-LAG"] == ["Sat 28 Feb"]
    assert all(not days for water, days in due.items() if water != "W-LAG")


def test_overrides_that_have_ended_are_left_out():
    rows = [
        {"override_id": name, "vault_id": "v", "ladder": "method", "step": "storm_drain",
         "who": "R", "why": "w", "made_on": pd.Timestamp("2026-01-01"),
         "expires_on": pd.Timestamp(ends)}
        for name, ends in (("1", "2026-02-26"), ("2", "2026-02-27"))
    ]  # fmt: skip
    frames = {"overrides": table("overrides").conform(pd.DataFrame(rows))}
    (kept,) = overrides_told(frames, pd.Timestamp("2026-02-27"))
    assert kept["ends"] == "Fri 27 Feb"
    assert kept["what"] == "method lowered to storm drain"
