"""Which discharges reach which water: small cases solved by hand, and every one of them listed."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from shapely import LineString

from vaultplan.discharge.watch import planned_discharges, reaches, watch_list, watched_waters
from vaultplan.discharge.watch_due import (
    kept_back,
    notice_reasons,
    notices_due,
    overrides_in_force,
    stale_layers,
    stop_notices,
)
from vaultplan.discharge.watch_sums import add_up, outfall_days
from vaultplan.schema import table
from vaultplan.settings import DischargeSettings

from .conftest import CRS, X0, Y0, area, outfall, square, water
from .conftest import frame as placed_frame

MON, TUE = pd.Timestamp("2026-11-02"), pd.Timestamp("2026-11-03")
AS_OF = pd.Timestamp("2026-10-30")
# creek -> lagoon -> bay; a pond apart from them
WATERS = (
    water("creek", kind="creek", downstream_water_id="lagoon", protection="none"),
    water("lagoon", kind="lagoon", downstream_water_id="bay", protection="protected"),
    water("bay", kind="bay"),
    water("pond", uses="drinking"),
)
BELOW = {"creek": ["creek", "lagoon", "bay"], "lagoon": ["lagoon", "bay"], "bay": ["bay"]}
BELOW["pond"] = ["pond"]
OUTFALLS = {"A": "creek", "B": "bay", "C": "pond", "D": None}


def frame(name, *rows):
    """Return a table of rows that need not say where they are."""
    if table(name).geometry is not None:
        rows = [{"geometry": None, **row} for row in rows]
    return placed_frame(name, *rows)


def trace(vault_id, outfall_id="A", **more):
    enters = OUTFALLS.get(outfall_id)
    row = {
        "vault_id": vault_id,
        "trace_status": "complete" if enters else "no_water",
        "confidence": "high",
        "length_ft": 500.0,
        "outfall_id": outfall_id,
        "water_id": enters,
        "waters_passed": ";".join(BELOW[enters]) if enters else None,
        "geometry": LineString([(X0, Y0), (X0 + 10, Y0)]),
    }
    return row | more


def tables(*traces, **more):
    return {
        "traces": frame("traces", *traces),
        "outfalls": frame("outfalls", *(outfall(o, w) for o, w in OUTFALLS.items())),
        "receiving_waters": frame("receiving_waters", *WATERS),
        **more,
    }


def reached_of(found):
    return reaches(found["traces"], found["outfalls"], found["receiving_waters"])


def said(reached, vault_id):
    mine = reached[reached["vault_id"].eq(vault_id)]
    names = mine["water_id"].fillna("")
    return {
        w: (way, share) for w, way, share in zip(names, mine["way"], mine["share"], strict=True)
    }


def test_a_discharge_reaches_its_water_and_all_below_once() -> None:
    reached = reached_of(tables(trace("v")))
    assert said(reached, "v") == dict.fromkeys(BELOW["creek"], ("main path", 1.0))
    assert reached.set_index("water_id")["steps"].to_dict() == {"creek": 0, "lagoon": 1, "bay": 2}
    assert set(reached["enters_id"]) == {"creek"}


def test_split_parts_are_told_with_their_share() -> None:
    # 70 % to A (creek, lagoon, bay), 20 % to B (bay), 10 % to C (pond)
    reached = reached_of(tables(trace("v", main_share=0.7, part_outfalls="B=0.2;C=0.1")))
    told = said(reached, "v")
    assert told["creek"] == ("main path, 70% of it", 0.7)
    assert told["bay"][0] == "main path, 70% of it and split part, 20% of it"
    assert told["bay"][1] == pytest.approx(0.9)
    assert told["pond"] == ("split part, 10% of it", pytest.approx(0.1))
    bay = reached[reached["water_id"].eq("bay")].iloc[0]
    assert (bay["outfall_id"], bay["other_outfalls"]) == ("A", "B")


def test_a_second_inlet_may_take_all_of_it() -> None:
    told = said(reached_of(tables(trace("v", main_share=0.5, second_outfall_id="C"))), "v")
    assert told["pond"] == ("through a second inlet nearly as close", 1.0)
    assert told["creek"] == ("main path, 50% of it", 0.5)


def test_a_share_that_nobody_stated_counts_as_the_whole() -> None:
    assert said(reached_of(tables(trace("v", part_outfalls="C"))), "v")["pond"][1] == 1.0


@pytest.mark.parametrize(
    "row", [trace("v", None), trace("v", "D"), trace("v", "Z"), trace("v", second_outfall_id="D")]
)
def test_a_way_to_no_listed_water_is_told_as_not_known(row) -> None:
    told = said(reached_of(tables(row)), "v")
    assert "" in told
    assert ("creek" in told) == (row["outfall_id"] == "A")


def test_waters_that_run_in_a_circle_end_it() -> None:
    round_waters = [
        water("a", downstream_water_id="b"),
        water("b", downstream_water_id="a"),
    ]
    found = tables(trace("v", "P", water_id="a", waters_passed=None))
    found["receiving_waters"] = frame("receiving_waters", *round_waters)
    found["outfalls"] = frame("outfalls", outfall("P", "a"))
    assert set(said(reached_of(found), "v")) == {"a", "b"}


def stop(vault_id, on=MON, kind="pump_out", number=1):
    return {
        "plan_id": "P",
        "truck_id": f"T-{vault_id}",
        "on": on,
        "stop_number": number,
        "kind": kind,
        "order_id": f"O-{vault_id}",
        "vault_id": vault_id,
        "arrive_at": on.tz_localize("UTC"),
        "start_at": on.tz_localize("UTC"),
        "leave_at": on.tz_localize("UTC"),
    }


def job(vault_id, method="filter_sock", **more):
    row = {
        "plan_id": "P",
        "order_id": f"O-{vault_id}",
        "vault_id": vault_id,
        "allowed_days": "2026-11-02",
        "method": method,
        "gate": "go",
        "volume_gal_p10": 1.0,
        "volume_gal_p50": 2.0,
        "volume_gal_p90": 3.0,
        "load_gal": 3.0,
        "rules_fired": "light_water;strange",
    }
    return row | more


def forecast(vault_id, on=MON, mean=100.0):
    chances = {"prob_clear": 0.5, "prob_light": 0.3, "prob_heavy": 0.2}
    band = {"volume_gal_p10": 50.0, "volume_gal_p50": mean, "volume_gal_p90": 200.0}
    return {"vault_id": vault_id, "on": on, "volume_gal_mean": mean, **chances, **band}


def decision(vault_id, on=MON, method="filter_sock", gate="go"):
    row = {"vault_id": vault_id, "on": on, "method": method, "gate": gate}
    return {**row, "rules_fired": "light_water", "reason": "Light water."}


def week(traces, stops, jobs, forecasts=(), decisions=(), unserved=()):
    vaults = [{"vault_id": t["vault_id"], "address": "1 Kelp Row"} for t in traces]
    grades = [("creek", "high"), ("lagoon", "protected"), ("bay", "ordinary"), ("pond", "high")]
    return tables(
        *traces,
        vaults=frame("vaults", *vaults),
        plan_stops=frame("plan_stops", *stops),
        plan_jobs=frame("plan_jobs", *jobs),
        plan_unserved=frame("plan_unserved", *unserved),
        forecasts=frame("forecasts", *forecasts),
        decisions=frame("decisions", *decisions),
        sensitivities=frame(
            "sensitivities",
            *({"water_id": w, "sensitivity": s, "reason": f"{s} for a reason"} for w, s in grades),
        ),
    )


def listed_of(found):
    discharges = planned_discharges(found, {"light_water": "Light water is expected."})
    return watch_list(found, reached_of(found), discharges), discharges


def test_only_what_goes_to_the_drain_is_a_discharge() -> None:
    found = week(
        [trace("v"), trace("u")],
        [stop("v"), stop("u", kind="vacuum"), stop("u", kind="work", number=2)],
        [job("v"), job("u", "vacuum_truck")],
        [forecast("v")],
        [decision("v")],
    )
    listed, _ = listed_of(found)
    assert listed["vault_id"].tolist() == ["v", "v", "v"]
    # strictest first: lagoon protected, creek high, bay ordinary
    assert listed["water_id"].tolist() == ["lagoon", "creek", "bay"]
    row = listed.iloc[0]
    assert row["volume_gal_mean"] == 100.0
    assert row["reason"] == "Light water."
    assert row["enters_water"] == "Creek"
    assert row["changed"] == ""
    assert listed.crs == CRS


def test_a_day_that_is_over_keeps_the_plans_gallons_and_rules() -> None:
    listed, _ = listed_of(week([trace("v")], [stop("v")], [job("v")]))
    row = listed.iloc[0]
    assert not row["is_ahead"]
    assert row["volume_gal_p90"] == 3.0
    assert row["reason"] == "Light water is expected. strange"


@pytest.mark.parametrize(
    ("now", "words"),
    [
        ({"method": "vacuum_truck"}, "vacuum truck where filter sock stands"),
        ({"gate": "refer"}, "refer where go stands"),
        ({"method": "storm_drain"}, ""),
    ],
)
def test_rules_that_now_ask_for_more_than_the_plan_are_told(now, words) -> None:
    found = week([trace("v")], [stop("v")], [job("v")], [forecast("v")], [decision("v", **now)])
    changed = listed_of(found)[0].iloc[0]["changed"]
    assert words in changed
    assert bool(changed) == bool(words)


def test_waters_on_watch_are_all_but_ordinary_and_told_even_without_discharge() -> None:
    found = week([trace("v")], [stop("v")], [job("v")])
    listed, _ = listed_of(found)
    waters = watched_waters(found, listed)
    assert waters["water_id"].tolist() == ["lagoon", "creek", "pond"]
    assert waters["discharges"].tolist() == [1, 1, 0]
    assert waters["reason"].iloc[0] == "protected for a reason"
    assert watched_waters(found, listed, "bay")["discharges"].tolist() == [1]


def test_a_discharge_to_nobody_knows_where_is_watched_as_unknown() -> None:
    found = week([trace("v", None), trace("u")], [stop("v"), stop("u")], [job("v"), job("u")])
    listed, _ = listed_of(found)
    waters = watched_waters(found, listed)
    lost = waters[waters["water_id"].isna()].iloc[0]
    assert (lost["sensitivity"], lost["discharges"]) == ("unknown", 1)
    assert waters["water_id"].tolist()[:3] == ["lagoon", "creek", "pond"]


ENDS = st.sampled_from([*OUTFALLS, None])
PATHS = st.lists(
    st.tuples(
        ENDS, st.lists(st.sampled_from([*OUTFALLS]), max_size=3, unique=True), ENDS, st.booleans()
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=20)
@given(PATHS)
def test_every_planned_discharge_stands_once_under_every_water_it_reaches(paths) -> None:
    traces, expected = [], set()
    for number, (main, parts, second, is_drained) in enumerate(paths):
        vault_id = f"v{number}"
        more = {"part_outfalls": ";".join(f"{p}=0.1" for p in parts) or None}
        traces.append(trace(vault_id, main, second_outfall_id=second, **more))
        ends = [end for end in (main, *parts, second) if end is not None]
        if is_drained:
            for end in ends:
                expected |= {(vault_id, w) for w in BELOW.get(OUTFALLS[end], [""])}
            if not ends:
                expected.add((vault_id, ""))
    stops = [
        stop(t["vault_id"], kind="pump_out" if path[3] else "work")
        for t, path in zip(traces, paths, strict=True)
    ]
    listed, _ = listed_of(week(traces, stops, [job(t["vault_id"]) for t in traces]))
    found = list(zip(listed["vault_id"], listed["water_id"].fillna(""), strict=True))
    assert len(found) == len(set(found))
    assert set(found) == expected
    assert listed["share"].between(0, 1).all()


# two vaults, three draws: sums 30, 70, 200
POINTS = pd.DataFrame({"vault_id": ["v", "u"], "on": [MON, MON]})
VOLUMES = np.array([[10.0, 20.0], [50.0, 20.0], [150.0, 50.0]])


def two(share=1.0, **more):
    row = {"water_id": "creek", "share": share, "on": MON, "is_ahead": True, **more}
    rows = [{**row, "vault_id": "v", "volume_gal_mean": 70.0}]
    rows.append({**row, "vault_id": "u", "volume_gal_mean": 30.0})
    return pd.DataFrame(rows)


def test_gallons_are_summed_within_each_draw() -> None:
    # of 30, 70, 200: the 10th percentile is 30 + 0.2 * 40, the 90th 70 + 0.8 * 130
    told = add_up(two(), ["water_id"], POINTS, VOLUMES).iloc[0]
    assert told["discharges"] == 2
    assert told[["volume_gal_p10", "volume_gal_p50", "volume_gal_p90"]].tolist() == pytest.approx(
        [38.0, 100.0, 174.0]
    )
    half = add_up(two(0.5), ["water_id"], POINTS, VOLUMES).iloc[0]
    assert half["volume_gal_p50"] == pytest.approx(50.0)


def test_days_that_are_over_and_missing_forecasts_are_not_summed() -> None:
    gone = add_up(two(is_ahead=[False, False][0]), ["water_id"], POINTS, VOLUMES).iloc[0]
    assert gone["days_gone"] == 2
    assert np.isnan(gone["volume_gal_p50"])
    missing = two()
    missing.loc[0, "volume_gal_mean"] = np.nan
    assert np.isnan(add_up(missing, ["water_id"], POINTS, VOLUMES)["volume_gal_p50"].iloc[0])


def test_a_vault_emptied_for_two_orders_on_a_day_is_one_water() -> None:
    twice = pd.concat([two(), two()], ignore_index=True)
    told = add_up(twice, ["water_id"], POINTS, VOLUMES).iloc[0]
    assert told["discharges"] == 4
    assert told["volume_gal_p50"] == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("cap", "words"),
    [
        (None, "no cap is set"),
        (1000.0, "stays below"),
        (150.0, "may go above the cap, chance 33 %"),
        (60.0, "above the cap is likely, chance 67 %"),
    ],
)
def test_an_outfalls_day_is_held_against_its_cap(cap, words) -> None:
    outfalls = frame("outfalls", {**outfall("A", "creek"), "daily_cap_gal": cap})
    traces = frame("traces", trace("v"), trace("u"))
    told = outfall_days(two().drop(columns="share"), traces, outfalls, POINTS, VOLUMES)
    assert told["cap_words"].iloc[0].startswith(words)
    assert told["discharges"].tolist() == [2]


def test_notice_is_asked_for_by_protection_and_by_drinking_water() -> None:
    waters = frame(
        "receiving_waters",
        water("plain"),
        water("guarded", protection="outstanding"),
        water("blank", protection=None),
        water("drunk", uses="swimming;drinking"),
        water("touched", geometry=square(0)),
        water("near"),
    )
    areas = frame("sensitive_areas", area("drinking_intake", 0), area("beach", 10_000))
    places = frame("outfalls", outfall("F", "near", x=304.0), outfall("G", "plain", x=307.0))
    why = notice_reasons(waters, areas, places, DischargeSettings())
    assert why.to_dict() == {
        "plain": "",
        "guarded": "outstanding",
        "blank": "its protection is not known",
        "drunk": "used for drinking water",
        "touched": "drinking intake Drinking_Intake",
        # the intake's edge is 1 m east of the middle: 303 m are 994 ft, 306 m are 1,004 ft
        "near": "drinking intake Drinking_Intake",
    }


@pytest.mark.parametrize(
    ("as_of", "state", "is_overdue"),
    [
        ("2026-10-30", "due in 1 day", False),
        ("2026-10-31", "due today", False),
        ("2026-11-01", "OVERDUE by 1 day", True),
    ],
)
def test_a_notice_is_due_before_the_discharge_and_marked_overdue(as_of, state, is_overdue) -> None:
    listed = two(water="Creek", outfall_id="A")
    why = pd.Series({"creek": "protected", "bay": ""})
    told = notices_due(listed, why, as_of=pd.Timestamp(as_of), notice_days=2)
    assert told["due_on"].tolist() == [pd.Timestamp("2026-10-31")]
    assert (told["state"].iloc[0], bool(told["is_overdue"].iloc[0])) == (state, is_overdue)
    assert told["discharges"].tolist() == [2]
    assert len(notices_due(listed, why.iloc[1:], as_of=AS_OF, notice_days=2)) == 0


def test_each_discharge_knows_the_notices_it_asks_for() -> None:
    """A runs creek -> lagoon (protected) -> bay, B to the bay, C to a pond people drink from."""
    frames = {
        "plan_stops": frame(
            "plan_stops",
            *(stop("v"), stop("v", TUE), stop("u"), stop("p", TUE), stop("w", kind="vacuum")),
        ),
        "traces": frame(
            "traces", trace("v"), trace("u", "B"), trace("p", "C"), trace("w"), trace("x")
        ),
        "outfalls": frame(
            "outfalls", *(outfall(name, OUTFALLS[name], x=900.0) for name in ("A", "B", "C"))
        ),
        "receiving_waters": frame("receiving_waters", *WATERS),
        "sensitive_areas": table("sensitive_areas").empty(CRS),
    }
    frames["reached"] = reaches(
        *(frames[name] for name in ("traces", "outfalls", "receiving_waters"))
    )
    told = stop_notices(frames, DischargeSettings(), notice_days=2)
    assert told[["vault_id", "on", "water_id", "why"]].to_numpy().tolist() == [
        ["v", MON, "lagoon", "protected"],
        ["p", TUE, "pond", "used for drinking water"],
        ["v", TUE, "lagoon", "protected"],
    ]
    assert (told["on"] - told["due_on"] == pd.Timedelta(days=2)).all()
    nothing = {**frames, "plan_stops": table("plan_stops").empty(CRS)}
    assert stop_notices(nothing, DischargeSettings(), notice_days=2).empty


def test_held_and_referred_orders_stand_under_their_waters() -> None:
    left = {"plan_id": "P", "vault_id": "v", "reason": "wet"}
    outcomes = ("held", "referred", "not_scheduled")
    unserved = [{**left, "order_id": f"O{n}", "outcome": o} for n, o in enumerate(outcomes)]
    found = week([trace("v", "B")], [], [], unserved=unserved)
    told = kept_back(found, reached_of(found))
    assert told[["water_id", "outcome"]].values.tolist() == [["bay", "held"], ["bay", "referred"]]


def test_overrides_in_force_are_told_and_those_that_end_soon_marked() -> None:
    row = {"vault_id": "v", "ladder": "gate", "step": "go", "who": "R", "why": "w"}
    days = {
        "over": ("2026-09-01", "2026-10-29"),
        "last day": ("2026-09-01", "2026-10-30"),
        "soon": ("2026-09-01", "2026-11-13"),
        "later": ("2026-09-01", "2026-11-14"),
        "to come": ("2026-10-31", "2026-11-14"),
    }
    rows = [
        {**row, "override_id": name, "made_on": made, "expires_on": ends}
        for name, (made, ends) in days.items()
    ]
    reached = reached_of(tables(trace("v", "B")))
    told = overrides_in_force(frame("overrides", *rows), reached, as_of=AS_OF)
    ending = told.set_index("override_id")["is_ending"].to_dict()
    assert ending == {"last day": True, "soon": True, "later": False}
    assert set(told["water_id"]) == {"bay"}


def test_layers_that_nobody_confirmed_lately_are_told() -> None:
    frames = {
        "receiving_waters": frame(
            "receiving_waters", water("a"), water("b", reviewed_on="2026-01-01")
        ),
        "sensitive_areas": frame("sensitive_areas", area("beach", 0, reviewed_on="2019-01-01")),
    }
    told = stale_layers(frames, as_of=AS_OF, settings=DischargeSettings(), water_ids={"a", "b"})
    assert told == [
        "No date says when these waters were confirmed: A.",
        "These sensitive areas were not confirmed since 2024-10-30: Beach.",
    ]
    frames["sensitive_areas"] = frame("sensitive_areas")
    told = stale_layers(frames, as_of=AS_OF, settings=DischargeSettings(), water_ids={"b"})
    assert told == ["No sensitive areas are loaded, so no water is known to be clear of them."]
