"""Alternatives to a plan are solved side by side, and are what one after another gives."""

from __future__ import annotations

import pytest

from vaultplan import week
from vaultplan.provisions import JobDraws
from vaultplan.spread import Offer, Replanning, cluster, solve_each
from vaultplan.spread.cluster import Cluster

from .judging import assert_same


def test_alternatives_are_the_same_plans_side_by_side(
    workers: Cluster, planned: tuple[week.Week, JobDraws]
) -> None:
    ahead, draws = planned
    jobs, stops = ahead.frames["plan_jobs"], ahead.frames["plan_stops"]
    offers = []
    for barred in ("", f"{ahead.days[1]:%Y-%m-%d}", f"{ahead.days[2]:%Y-%m-%d}"):
        allowed = jobs["allowed_days"].str.replace(barred, "").str.strip(";")
        allowed = allowed.str.replace(";;", ";")
        keep = allowed.ne("").to_numpy(bool)
        offered = jobs.assign(allowed_days=allowed)[keep].reset_index(drop=True)
        frames = {**ahead.frames, "plan_jobs": offered}
        offers.append(Offer(frames, draws.volume_gal[:, keep]))
    shared = Replanning(
        stops,
        ahead.monday.date(),
        set(jobs["order_id"]),
        "again",
        ahead.settings.time_zone,
        ahead.settings.schedule,
        1,
    )
    found, told = [], []
    for taken in (None, workers):
        token = cluster._CURRENT.set(taken)
        heard: list[tuple[int, str]] = []
        found.append(
            solve_each(
                shared, offers, lambda number, stage, _, heard=heard: heard.append((number, stage))
            )
        )
        cluster._CURRENT.reset(token)
        told.append(heard)
    for here, there in zip(*found, strict=True):
        assert_same(here[0], there[0])
        assert_same(here[1], there[1])
    assert {(0, "solved"), (1, "solved"), (2, "solved")} <= set(told[1])
    # They are not one plan three times.
    assert not found[0][0][0].equals(found[0][1][0])


def test_a_single_plan_is_made_here(
    monkeypatch: pytest.MonkeyPatch, spread: Cluster, planned: tuple[week.Week, JobDraws]
) -> None:
    monkeypatch.setattr(Cluster, "run", None)
    ahead, draws = planned
    shared = Replanning(
        ahead.frames["plan_stops"],
        ahead.monday.date(),
        set(ahead.frames["plan_jobs"]["order_id"]),
        "again",
        ahead.settings.time_zone,
        ahead.settings.schedule,
        1,
    )
    stages: list[str] = []
    (made,) = solve_each(
        shared, [Offer(ahead.frames, draws.volume_gal)], lambda _, stage, __: stages.append(stage)
    )
    assert len(made[0]) == len(ahead.frames["plan_stops"])
    assert stages[0] == "travel times"
