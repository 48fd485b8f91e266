"""What joint draws say of the demo's week: loads, socks, bookings, how sure the ranking is."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vaultplan import pipeline
from vaultplan.settings import Settings

MADE_AT = pd.Timestamp("2026-10-30T20:00Z")


@pytest.fixture(scope="module")
def result(planned_demo: Path) -> pipeline.PlanResult:
    made: pipeline.PlanResult = pickle.loads((planned_demo / "result.pickle").read_bytes())
    return made


def test_every_sock_job_has_socks_solids_and_a_chance(result: pipeline.PlanResult) -> None:
    jobs = result.frames["plan_jobs"].set_index("order_id")
    socks = jobs[jobs["method"] == "filter_sock"]
    assert (socks["socks"] >= 1).all()
    assert socks["prob_second_sock"].between(0, 1).all()
    # Clear or light water: heavy is not pumped through a sock.
    assert socks["solids_mg_l"].between(5, 500).all()
    assert (jobs.loc[jobs["method"] != "filter_sock", "socks"] == 0).all()
    stops = result.frames["plan_stops"].query("kind == 'pump_out'")
    assert (stops["socks"].to_numpy() == jobs.loc[stops["order_id"], "socks"].to_numpy()).all()


def test_vacuum_trucks_are_booked_where_the_chance_exceeds_the_break_even(
    result: pipeline.PlanResult,
) -> None:
    jobs = result.frames["plan_jobs"]
    weighed = jobs.dropna(subset=["break_even_prob"])
    booked = weighed["prob_vacuum"] > weighed["break_even_prob"]
    assert (weighed["method"].eq("vacuum_truck") == booked).all()
    assert weighed.loc[booked, "reason"].str.contains("booking pays above").all()
    assert any("booked beforehand by money" in line for line in result.lines)
    # Where a rule asks for the truck, money is not asked.
    ruled = jobs[jobs["break_even_prob"].isna()]
    assert (ruled["method"] == "vacuum_truck").all()


def test_no_trip_exceeds_its_tank_more_often_than_it_may(
    result: pipeline.PlanResult, quick: Settings
) -> None:
    loads = result.frames["plan_loads"]
    trips = loads[loads["item"] == "vacuum_load"]
    assert len(trips) and (trips["prob_short"] <= quick.schedule.run_out_prob).all()
    days = loads[loads["item"].isin(["filter_sock", "pump_time"])]
    assert len(days) and (days["prob_short"] <= quick.schedule.run_out_prob).all()


def test_the_ranking_says_how_sure_it_is(result: pipeline.PlanResult, quick: Settings) -> None:
    ranked = result.frames["rankings"].sort_values("rank")
    assert ranked["top_share"].sum() == pytest.approx(min(quick.ranking.top, len(ranked)))
    assert (ranked["rank_low"] <= ranked["rank_high"]).all()
    assert np.corrcoef(ranked["rank"], ranked["top_share"])[0, 1] < -0.4
    points = ranked[[f"points_{a}" for a in ("volume", "contamination", "sensitivity", "urgency")]]
    assert points.sum(axis=1).to_numpy() == pytest.approx(ranked["score"].to_numpy(), abs=1e-4)
    strongest = points.idxmax(axis=1).str.removeprefix("points_")
    assert (strongest == ranked["mainly"]).mean() > 0.99
