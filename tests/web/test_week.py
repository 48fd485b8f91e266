"""The week changed on the board: moved, refused, in conflict, solved again and published."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Any

import httpx
import pandas as pd
import pytest

from vaultplan import replanning
from vaultplan.beside import Tell
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.web import tasks

from .conftest import Running
from .test_doors import csrf_of

WORK = ("pump_out", "work")
publish = tasks.publish


@pytest.fixture(scope="module")
def board(start: Callable[..., Running]) -> Running:
    """A board that publishes."""
    return start(publishes=True)


def stored(board: Running, name: str) -> pd.DataFrame:
    with open_database(board.location) as database:
        return read_table(database, name)


def latest_plan(board: Running) -> str:
    plans = stored(board, "plans")
    return str(plans.loc[plans["state"].eq("checked"), "plan_id"].iloc[-1])


def revision_of_page(client: httpx.Client) -> str:
    found = re.search(r'data-revision="([^"]+)"', client.get("/").text)
    assert found
    return found[1]


def send(client: httpx.Client, board: Running, **asked: object) -> httpx.Response:
    body = {"plan_id": latest_plan(board), **asked}
    return client.post("/api/moves", json=body, headers={"x-csrf-token": csrf_of(client)})


def cell_of(page: str, truck: str, on: str) -> str:
    found = re.search(rf'<td data-truck="{truck}" data-on="{on}".*?</td>', page, re.DOTALL)
    return found[0] if found else ""


def movable(board: Running) -> list[tuple[str, str, str, str, str]]:
    """Orders with other crews' days that suit them: order, truck and day, and where it is now."""
    jobs, stops, trucks = (stored(board, name) for name in ("plan_jobs", "plan_stops", "trucks"))
    crews = trucks[trucks["kind"].eq("crew") & trucks["pump_count"].fillna(1).ge(1)]
    mine = stops[stops["kind"].eq("pump_out")].merge(
        jobs[["order_id", "skill", "allowed_days"]], on="order_id"
    )
    found = []
    for row in mine.itertuples():
        for truck in crews.itertuples():
            skilled = pd.isna(row.skill) or row.skill in str(truck.skills).split(";")
            for day in str(row.allowed_days).split(";"):
                on = pd.Timestamp(day)
                works = f"{on:%a}".lower() in str(truck.days).split(";")
                if skilled and works and (truck.truck_id, on) != (row.truck_id, row.on):
                    was = f"{row.on:%Y-%m-%d}"
                    found.append((row.order_id, truck.truck_id, day, str(row.truck_id), was))
    return found


def move_one(client: httpx.Client, board: Running) -> tuple[str, str, str, str, str]:
    """Move the first order that another crew's day has room for; those that have none stay."""
    for choice in movable(board):
        order, truck, on, _, _ = choice
        seen = revision_of_page(client)
        answer = send(client, board, revision=seen, order_id=order, truck_id=truck, on=on)
        if answer.status_code == 200:
            assert answer.json()["is_done"]
            return choice
        assert not answer.json()["is_conflict"] and answer.json()["words"]
        assert stored(board, "plan_edits")["order_id"].ne(order).all()
    raise AssertionError("no order can be moved")


def test_an_order_is_moved_kept_and_taken_back(board: Running):
    with board.client("planner") as client:
        order, truck, on, was_truck, was_on = move_one(client, board)
        page = client.get("/").text
        cell = cell_of(page, truck, on)
        assert f'data-order="{order}"' in cell and "kept" in cell
        assert "every limit holds" in page
        edits = stored(board, "plan_edits")
        mine = edits[edits["order_id"].eq(order)]
        assert mine[["truck_id", "who"]].to_numpy().tolist() == [[truck, "planner"]]
        changes = stored(board, "changes").set_index("row_key")
        edit_id = mine["edit_id"].iloc[0]
        assert changes.loc[edit_id, "who"] == "planner"
        client.post("/edits/back", data={"csrf": csrf_of(client), "edit_id": edit_id})
        assert f'data-order="{order}"' in cell_of(client.get("/").text, was_truck, was_on)


def test_the_second_of_two_planners_is_told_what_the_first_did_and_nothing_is_lost(board: Running):
    choices = movable(board)
    with board.client("planner") as first, board.client("manager") as second:
        seen = revision_of_page(second)
        assert revision_of_page(first) == seen
        order = move_one(first, board)[0]
        other = next(choice for choice in choices if choice[0] != order)
        asked = {"order_id": other[0], "truck_id": other[1], "on": other[2]}
        late = send(second, board, revision=seen, **asked)
        assert late.status_code == 409
        told = late.json()
        assert told["is_conflict"]
        assert any(order in words and "planner" in words for words in told["others"])
        edits = stored(board, "plan_edits")
        assert order in set(edits["order_id"]) and other[0] not in set(edits["order_id"])
        # The second sees the first's and asks again: now both stand, or a limit is named.
        again = send(second, board, revision=told["revision"], insists=True, **asked)
        assert again.json()["is_done"]
        assert {order, other[0]} <= set(stored(board, "plan_edits")["order_id"])
        form = {"plan_id": latest_plan(board), "csrf": csrf_of(second), "revision": seen, **asked}
        page = second.post("/moves", data=form)
        assert page.status_code == 409 and "Move it all the same" in page.text
        for edit in stored(board, "plan_edits").itertuples():
            if str(edit.edit_id).startswith("B-"):
                first.post("/edits/back", data={"csrf": csrf_of(first), "edit_id": edit.edit_id})


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"order_id": "nowhere"}, "not one of this plan"),
        ({"truck_id": "V01"}, "no crew truck"),
        ({"on": "2027-01-01"}, "not a day of the week"),
    ],
)
def test_what_cannot_be_is_said_in_words(board: Running, asked: dict[str, str], words: str):
    order, truck, on, _, _ = movable(board)[0]
    with board.client("planner") as client:
        given = {"order_id": order, "truck_id": truck, "on": on, **asked}
        answer = send(client, board, revision=revision_of_page(client), **given)
    assert answer.status_code == 409
    assert words in answer.json()["words"]


def test_a_plan_that_is_none_is_not_found(board: Running):
    with board.client("planner") as client:
        asked = {"revision": "x", "order_id": "x", "truck_id": "x", "on": "2026-11-02"}
        assert send(client, board, plan_id="nowhere", **asked).status_code == 404


def wait_for(client: httpx.Client, address: str) -> str:
    for _ in range(600):
        page = client.get(address).text
        found = re.search(r'data-state="(\w+)"', page)
        assert found
        if found[1] in ("done", "failed"):
            assert found[1] == "done", page
            return page
        time.sleep(0.2)
    raise AssertionError("it does not end")


def test_solved_again_and_published_the_week_has_what_was_kept(
    board: Running, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(tasks, "publish", publish_without_files)
    before = latest_plan(board)
    with board.client("planner") as client:
        # What does not fit is kept all the same: others make room.
        for order, truck, on, _, _ in movable(board):
            seen = revision_of_page(client)
            asked = {"order_id": order, "truck_id": truck, "on": on}
            if send(client, board, revision=seen, **asked).status_code == 409:
                send(client, board, revision=seen, insists=True, **asked)
                break
        csrf = csrf_of(client)
        assert " elsewhere than in the plan" in client.get("/").text
        answer = client.post("/week/solve", data={"csrf": csrf, "plan_id": before})
        wait_for(client, str(answer.url.path))
        page = client.get("/").text
        assert "The week was solved again" in page
        old = client.post(
            "/week/publish", data={"csrf": csrf, "plan_id": before, "revision": "older"}
        )
        assert old.status_code == 409
        seen = revision_of_page(client)
        answer = client.post(
            "/week/publish", data={"csrf": csrf, "plan_id": before, "revision": seen}
        )
        page = wait_for(client, str(answer.url.path))
    after = latest_plan(board)
    assert after != before and after in page
    plans = stored(board, "plans").set_index("plan_id")
    assert plans.loc[after, "replaces"] == before and plans.loc[before, "state"] == "superseded"
    stops = stored(board, "plan_stops")
    mine = stops[stops["plan_id"].eq(after) & stops["order_id"].eq(order)]
    mine = mine[mine["kind"].isin(WORK)]
    if len(mine):
        assert (mine["truck_id"].iloc[0], f"{mine['on'].iloc[0]:%Y-%m-%d}") == (truck, on)
    else:
        left = stored(board, "plan_unserved")
        assert (left["plan_id"].eq(after) & left["order_id"].eq(order)).any()


def publish_without_files(*arguments: Any, tell: Tell) -> dict[str, Any]:
    """What the board does to publish, but for the files, which other tests look at."""
    replanning.write_outputs = lambda *_args, **_more: ()
    return publish(*arguments, tell=tell)


def order_of(board: Running, client: httpx.Client, truck: str, on: str) -> list[str]:
    """Orders of a crew's day as its page lists them."""
    page = client.get(f"/week/{latest_plan(board)}/{on}/{truck}").text
    return re.findall(r'<span class="small">([^:<]+): ', page)


def test_an_order_is_given_a_place_in_its_day_and_the_others_keep_theirs(board: Running):
    stops = stored(board, "plan_stops")
    pumped = stops[stops["kind"].eq("pump_out")]
    done = False
    with board.client("planner") as client:
        for truck, day in pumped[["truck_id", "on"]].drop_duplicates().itertuples(index=False):
            on = f"{day:%Y-%m-%d}"
            before = order_of(board, client, truck, on)
            if len(before) < 3:
                continue
            for order in before:
                place = 1 if before.index(order) else 2
                asked = {"order_id": order, "truck_id": truck, "on": on, "place": place}
                answer = send(client, board, revision=revision_of_page(client), **asked)
                if answer.status_code == 409:
                    assert order_of(board, client, truck, on) == before
                    continue
                others = [each for each in before if each != order]
                wanted = [*others[: place - 1], order, *others[place - 1 :]]
                assert order_of(board, client, truck, on) == wanted
                edits = stored(board, "plan_edits")
                mine = edits[edits["truck_id"].eq(truck) & edits["place"].notna()]
                assert mine.sort_values("place")["order_id"].tolist() == wanted
                assert "every limit holds" in client.get("/").text
                for edit_id in mine["edit_id"]:
                    form = {"csrf": csrf_of(client), "edit_id": edit_id}
                    client.post("/edits/back", data=form)
                assert order_of(board, client, truck, on) == before
                done = True
                break
            if done:
                break
        assert done
        csrf = csrf_of(client)
        for wrong in ("0", "x", "201", "-1"):
            form = {"csrf": csrf, "plan_id": latest_plan(board), "place": wrong}
            assert client.post("/moves", data=form).status_code == 422
