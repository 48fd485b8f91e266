"""A week on its way to a plan, on the demo."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from vaultplan import keeping, loading, schema, week
from vaultplan.errors import ScheduleError, SettingsError
from vaultplan.settings import Settings


def frames_until(visited_at: str | None) -> dict[str, pd.DataFrame]:
    names = ("rainfall", "rain_outlook", "visits")
    frames = {name: schema.table(name).empty() for name in names}
    if visited_at:
        visit = {"visit_id": "W", "vault_id": "V", "visited_at": visited_at}
        frames["visits"] = schema.table("visits").conform(pd.DataFrame([visit]))
    return frames


def _read_instead(monkeypatch: pytest.MonkeyPatch, frames: dict[str, pd.DataFrame]) -> None:
    read_kept = week.read_kept

    def read(*args: Any, **more: Any) -> keeping.Kept:
        kept = read_kept(*args, **more)
        kept.frames.update(frames)
        return kept

    monkeypatch.setattr(week, "read_kept", read)


def test_the_data_end_on_a_local_day(
    monkeypatch: pytest.MonkeyPatch, demo_file: Path, quick: Settings
) -> None:
    # 05:00 UTC on Monday is Sunday evening ten hours west: the week to plan is the one at hand.
    _read_instead(monkeypatch, frames_until("2026-11-02T05:00Z"))
    ahead = week.open_week(str(demo_file), None, None, quick, loading.silent)
    assert ahead.as_of == pd.Timestamp("2026-11-01")
    assert ahead.monday == pd.Timestamp("2026-11-02")


def test_without_rain_and_visits_a_stated_week_is_enough(
    monkeypatch: pytest.MonkeyPatch, demo_file: Path, quick: Settings
) -> None:
    _read_instead(monkeypatch, frames_until(None))
    with pytest.raises(SettingsError, match="say --as-of"):
        week.open_week(str(demo_file), None, None, quick, loading.silent)
    monday, friday = pd.Timestamp("2026-11-02"), pd.Timestamp("2026-10-30")
    ahead = week.open_week(str(demo_file), monday, friday, quick, loading.silent)
    assert ahead.as_of == friday
    assert len(ahead.days) == 5


def test_no_later_visit_reaches_the_plan_of_an_earlier_week(
    demo_file: Path, quick: Settings
) -> None:
    monday = pd.Timestamp("2026-06-01")
    ahead = week.open_week(str(demo_file), monday, None, quick, loading.silent)
    assert ahead.as_of == pd.Timestamp("2026-05-31")
    latest = ahead.frames["visits"]["visited_at"].max()
    assert pd.Timestamp("2026-05-20T00:00Z") < latest < pd.Timestamp("2026-06-01T10:00Z")


def test_the_id_of_a_plan_tells_what_it_was_made_of(demo_file: Path, quick: Settings) -> None:
    ahead = week.open_week(str(demo_file), None, None, quick, loading.silent)
    week.judge(ahead, loading.silent, everywhere=False)
    first = week.plan_id_of(ahead, seed=1)
    assert first.startswith("2026-11-02-")
    assert week.plan_id_of(ahead, seed=1) == first
    orders, depots = ahead.frames["work_orders"], ahead.frames["depots"]
    changes = {
        "work_orders": orders.assign(window_to=orders["window_to"].fillna("16:00")),
        "depots": depots.assign(geometry=depots.translate(1.0)),
    }
    ids = {first, week.plan_id_of(ahead, seed=2)}
    for name, changed in changes.items():
        other = dataclasses.replace(ahead, frames={**ahead.frames, name: changed})
        ids.add(week.plan_id_of(other, seed=1))
    assert len(ids) == 4


@pytest.mark.parametrize(
    ("week_of", "as_of", "first"),
    [
        ("2026-11-04", "2026-10-30", "2026-11-02"),  # next week, from the data's end
        ("2026-10-28", "2026-10-30", None),  # the running week: Friday is over, nobody works more
        ("2026-10-21", "2026-10-18", "2026-10-19"),  # a past week, from its eve
    ],
)
def test_what_a_week_may_know_and_which_days_are_left(
    demo_file: Path, quick: Settings, week_of: str, as_of: str, first: str | None
) -> None:
    asked = pd.Timestamp(week_of)
    if first is None:
        with pytest.raises(ScheduleError, match="no truck works"):
            week.open_week(str(demo_file), asked, None, quick, loading.silent)
        return
    ahead = week.open_week(str(demo_file), asked, None, quick, loading.silent)
    assert ahead.as_of == pd.Timestamp(as_of)
    assert ahead.days[0] == pd.Timestamp(first)


def test_the_running_week_is_planned_from_today_on(demo_file: Path, quick: Settings) -> None:
    wednesday = pd.Timestamp("2026-10-28")
    ahead = week.open_week(str(demo_file), wednesday, wednesday, quick, loading.silent)
    assert [day.day for day in ahead.days] == [29, 30]


def test_the_content_of_a_plan_does_not_hang_on_the_order_of_its_rows() -> None:
    left = schema.table("plan_unserved").conform(
        pd.DataFrame(
            {"plan_id": "p", "order_id": ["a", "b"], "vault_id": "v", "outcome": "held",
             "reason": "rain"}
        )
    )  # fmt: skip
    frames = {name: schema.table(name).empty() for name in ("plan_jobs", "plan_stops")}
    same = week.content_version({**frames, "plan_unserved": left})
    assert week.content_version({**frames, "plan_unserved": left.iloc[::-1]}) == same
    fewer = week.content_version({**frames, "plan_unserved": left.iloc[:1]})
    assert fewer != same
