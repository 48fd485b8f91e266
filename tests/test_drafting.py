"""A week changed by hand, as it would be: what a move does, and that every limit still holds."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

from vaultplan.drafting import Draft, Drafts
from vaultplan.errors import ScheduleError
from vaultplan.schedule.checker import check_plan
from vaultplan.schema import table
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert

WORK = ["pump_out", "work"]


@pytest.fixture
def drafts(planned_town: Path, tmp_path: Path, quick: Settings) -> Iterator[Drafts]:
    town = shutil.copy(planned_town, tmp_path / "town.gpkg")
    with open_database(str(town)) as database:
        yield Drafts(database, quick.model_copy(update={"time_zone": database.time_zone}))


def plan_of(drafts: Drafts) -> str:
    return str(read_table(drafts.database, "plans")["plan_id"].iloc[-1])


def edit(order_id: str, truck_id: str | None, on: object, asks: str = "keep") -> pd.DataFrame:
    row = {
        "edit_id": f"E-{order_id}", "order_id": order_id, "asks": asks, "truck_id": truck_id,
        "on": pd.Timestamp(on) if on is not None else pd.NaT, "who": "ito", "why": "asked",
    }  # fmt: skip
    return table("plan_edits").conform(pd.DataFrame([row]))


def served(draft: Draft) -> pd.DataFrame:
    stops = draft.frames["plan_stops"]
    return stops[stops["kind"].isin(WORK)].set_index("order_id")


def test_with_nothing_asked_the_draft_is_the_stored_plan(drafts: Drafts):
    draft = drafts.draft(plan_of(drafts))
    names = ["on", "truck_id", "stop_number", "kind", "order_id", "arrive_at", "leave_at"]
    was, now = (
        pd.DataFrame(frame[names]).sort_values(names[:3], ignore_index=True)
        for frame in (read_table(drafts.database, "plan_stops"), draft.frames["plan_stops"])
    )
    pd.testing.assert_frame_equal(now, was)
    assert draft.changes.empty and draft.breaches == () and draft.other_tours == 0


def test_an_order_goes_where_it_is_kept_and_no_other_moves(drafts: Drafts):
    plan_id = plan_of(drafts)
    before = drafts.draft(plan_id)
    was = served(before)
    pumped = was[was["kind"].eq("pump_out")]
    tried, done = 0, []
    for order, row in pumped.iterrows():
        others = pumped.loc[pumped["on"].eq(row["on"]) & pumped["truck_id"].ne(row["truck_id"])]
        for truck in sorted(others["truck_id"].unique())[:1]:
            tried += 1
            draft = drafts.draft(plan_id, edits=edit(str(order), truck, row["on"]))
            assert draft.breaches == ()
            place = draft.place_of(str(order))
            if place is None:
                assert draft.why_left_out(str(order))
                continue
            done.append(order)
            assert place == (truck, f"{row['on']:%Y-%m-%d}")
            now = served(draft).drop(index=order)
            same = was.drop(index=order).reindex(now.index)
            assert (now["truck_id"] == same["truck_id"]).all() and (now["on"] == same["on"]).all()
            assert draft.changes["order_id"].tolist() == [order]
            assert draft.pinned == {order} and draft.other_tours >= 1
        if len(done) >= 2 and tried >= 4:
            break
    assert len(done) >= 2


def test_the_tours_that_did_not_change_are_checked_as_the_rest(drafts: Drafts):
    """What is not looked at again is what a whole check finds nothing wrong with."""
    plan_id = plan_of(drafts)
    was = served(drafts.draft(plan_id))
    order = str(was.index[0])
    draft = drafts.draft(plan_id, edits=edit(order, None, was["on"].iloc[-1]))
    opened = drafts._open(plan_id)
    whole = check_plan(
        {**opened.around, **draft.frames}, time_zone=drafts.database.time_zone,
        settings=drafts.settings.schedule,
    )  # fmt: skip
    assert whole == list(draft.breaches)


def test_a_day_that_an_order_may_not_be_done_on_is_named(drafts: Drafts):
    plan_id = plan_of(drafts)
    jobs = read_table(drafts.database, "plan_jobs").set_index("order_id")
    was = served(drafts.draft(plan_id))
    days = sorted(was["on"].unique())
    for order in was.index:
        may = str(jobs.loc[order, "allowed_days"]).split(";")
        barred = [day for day in days if f"{day:%Y-%m-%d}" not in may]
        if barred:
            break
    draft = drafts.draft(plan_id, edits=edit(str(order), None, barred[0]))
    assert draft.place_of(str(order)) is None
    assert "it may be done on" in draft.why_left_out(str(order))
    assert f"{barred[0]:%a}".lower() in draft.why_left_out(str(order))


def test_solved_again_what_is_kept_stays_and_moves_start_from_there(drafts: Drafts):
    plan_id = plan_of(drafts)
    was = served(drafts.draft(plan_id))
    order, row = next(was[was["kind"].eq("pump_out")].iterrows())
    truck = next(t for t in drafts.crews(plan_id) if t != row["truck_id"])
    with drafts.database.writing("plans") as connection:
        upsert(connection, "plan_edits", edit(str(order), None, row["on"]))
    solved = drafts.solve(plan_id)
    assert solved.breaches == ()
    place = solved.place_of(str(order))
    assert place is None or place[1] == f"{row['on']:%Y-%m-%d}"
    stale = dataclasses.replace(solved, revision="another")
    assert not drafts.adopt(stale) and not drafts.is_solved_again(plan_id)
    assert drafts.adopt(solved) and drafts.is_solved_again(plan_id)
    pd.testing.assert_frame_equal(
        drafts.draft(plan_id).frames["plan_stops"], solved.frames["plan_stops"]
    )
    with drafts.database.writing("plans") as connection:
        upsert(connection, "plan_edits", edit(str(was.index[-1]), truck, row["on"], "bar"))
    moved = served(drafts.draft(plan_id))
    same = served(solved).drop(index=was.index[-1], errors="ignore")
    assert (moved["truck_id"].reindex(same.index) == same["truck_id"]).all()
    drafts.forget_solved(plan_id)
    assert not drafts.is_solved_again(plan_id)


def test_what_came_since_is_known(drafts: Drafts):
    plan_id = plan_of(drafts)
    first = drafts.draft(plan_id)
    order = str(served(first).index[0])
    with drafts.database.writing("plans") as connection:
        upsert(connection, "plan_edits", edit(order, None, None, "bar").assign(truck_id="C01"))
    assert drafts.draft(plan_id).revision != first.revision
    since = drafts.since(plan_id, first.revision)
    assert since is not None and since["order_id"].tolist() == [order]
    assert drafts.since(plan_id, "0-nobody") is None


def test_a_plan_that_does_not_count_is_refused(drafts: Drafts):
    with pytest.raises(ScheduleError, match="does not count"):
        drafts.draft("nowhere")


def test_looking_up_another_plan_leaves_what_was_solved(drafts: Drafts):
    """A plan of another week, looked up in between, has a draft of its own and ends nothing."""
    plan_id = plan_of(drafts)
    solved = drafts.solve(plan_id)
    assert drafts.adopt(solved)
    other = {
        name: read_table(drafts.database, name).assign(plan_id="another")
        for name in ("plans", "plan_jobs", "plan_stops", "plan_unserved")
    }
    other["plan_jobs"] = other["plan_jobs"].iloc[:0]
    other["plan_stops"] = other["plan_stops"].iloc[:0]
    with drafts.database.writing("plans") as connection:
        for name, frame in other.items():
            upsert(connection, name, frame)
    assert drafts.draft("another").frames["plan_stops"].empty
    assert drafts.is_solved_again(plan_id) and drafts.draft(plan_id) is solved
