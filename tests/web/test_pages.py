"""What the pages show: the stored plan, any vault, results that come in once."""

from __future__ import annotations

import re
import sqlite3
from concurrent.futures import ThreadPoolExecutor

import pandas as pd
import pytest

from vaultplan.schema import table
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert
from vaultplan.web.data import ROWS_A_PAGE, page_of
from vaultplan.web.results import new_key

from .conftest import Running
from .test_doors import csrf_of


def text_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def stored(location: str, name: str, **where):
    with open_database(location) as database:
        return read_table(database, name, where=where or None)


def test_the_week_is_the_stored_plan(board: Running):
    stops, left = stored(board.location, "plan_stops"), stored(board.location, "plan_unserved")
    served = stops.loc[stops["kind"].isin(["pump_out", "work"]), "order_id"].nunique()
    with board.client("reader") as client:
        page = client.get("/").text
        days = set(re.findall(r'href="(/week/[^"#?]+/[0-9-]{10}/[^"#?]+)"', page))
        assert f"{served:,} orders on" in page
        assert f"{len(left):,} orders are left out" in page
        assert len(days) == len(stops[["truck_id", "on"]].drop_duplicates())
        shown = sum(client.get(day).text.count('data-head="Stop"') for day in sorted(days))
        assert shown == len(stops)


def test_left_out_orders_are_paged_and_filtered(board: Running):
    left = stored(board.location, "plan_unserved")
    outcome = left["outcome"].value_counts().index[0]
    with board.client("reader") as client:
        plan = re.search(r'href="(/week/[^"#?]+)#left"', client.get("/").text)[1]
        page = client.get(f"{plan}?outcome={outcome}").text
        assert f"{left['outcome'].eq(outcome).sum():,} orders." in page
        assert client.get(f"{plan}?page=999999").status_code == 200
        assert client.get(f"{plan}?page=x").status_code == 422
        assert client.get("/week/none").status_code == 404


@pytest.mark.parametrize(
    ("count", "number", "expected"),
    [(0, 1, (1, 1, 0)), (50, 9, (1, 1, 50)), (51, 2, (2, 2, 1)), (51, -3, (1, 2, 50))],
)
def test_pages_of_a_list(count, number, expected):
    assert ROWS_A_PAGE == 50
    page = page_of(pd.DataFrame({"n": range(count)}), number)
    assert (page.number, page.pages, len(page.rows)) == expected


def test_a_vault_tells_its_facts_visits_and_orders(board: Running):
    visits = stored(board.location, "visits", vault_id="SM-0001")
    with board.client("reader") as client:
        words = text_of(client.get("/vault/SM-0001").text)
        data = client.get("/api/vaults/SM-0001").json()
    assert f"{len(visits)} in all, latest first" in words
    assert data["visit_count"] == len(visits)
    assert data["visits"][0]["visit_id"] == visits.sort_values("visited_at")["visit_id"].iloc[-1]
    assert "Record a result" not in words


def test_what_is_typed_is_looked_for_and_never_run(board: Running):
    with board.client("reader") as client:
        csrf = csrf_of(client)

        def found(text: str) -> str:
            answer = client.post("/vaults", data={"text": text, "csrf": csrf})
            assert answer.status_code == 200
            return answer.text

        assert found("sm-000").count("<tr>") == 10
        for text in ("' OR '1'='1", "%", "_", "SM%", 'x"; DROP TABLE vaults; --', "\\"):
            assert "No vault fits" in found(text)
        assert "&lt;script&gt;" in found("<script>alert(1)</script>")


def test_words_of_the_database_are_shown_as_words(start):
    running = start()
    with open_database(running.location) as database:
        vaults = read_table(database, "vaults", where={"vault_id": "SM-0001"})
        visits = read_table(database, "visits", where={"vault_id": "SM-0001"})
        with database.writing() as connection:
            bad = '<img src=x onerror="alert(1)">'
            upsert(connection, "vaults", vaults.assign(address=bad, access_notes=bad))
            upsert(connection, "visits", visits.assign(notes=bad, crew=bad))
    with running.client("reader") as client:
        page = client.get("/vault/SM-0001").text
    assert "<img" not in page and "&lt;img src=x" in page


def typed(client, **more) -> dict[str, str]:
    form = {
        "csrf": csrf_of(client), "key": new_key(), "vault_id": "SM-0002",
        "visited_at": "2026-11-03T10:00", "finding": "wet", "depth_in": "12", "grade": "clear",
        "disposal": "storm_drain", "volume_gal": "150", "has_sheen": "no",
    }  # fmt: skip
    return {**form, **more}


def test_a_result_is_recorded_once_and_names_who_sent_it(board: Running):
    with board.client("planner") as client:
        form = typed(client, notes="=1+1")
        first = client.post("/record", data=form)
        again = client.post("/record", data=form)
    visit_id = f"B-{form['key']}"
    assert f"Recorded as {visit_id}" in first.text
    assert "nothing changed" in again.text
    rows = stored(board.location, "visits", visit_id=visit_id)
    assert rows[["vault_id", "grade", "volume_gal", "notes"]].values.tolist() == [
        ["SM-0002", "clear", 150.0, "=1+1"]
    ]
    assert rows["visited_at"].iloc[0] == pd.Timestamp("2026-11-03T20:00Z")
    changes = stored(board.location, "changes", row_key=visit_id)
    assert changes[["who", "table_name"]].values.tolist() == [["planner", "visits"]]


def test_a_form_sent_many_times_at_once_is_one_result(board: Running):
    with board.client("planner") as client:
        form = typed(client, vault_id="SM-0003")
        with ThreadPoolExecutor(4) as pool:
            answers = list(pool.map(lambda _: client.post("/record", data=form), range(4)))
    assert {answer.status_code for answer in answers} == {200}
    assert (
        len(stored(board.location, "visits", vault_id="SM-0003", visit_id=f"B-{form['key']}")) == 1
    )


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"vault_id": "nowhere"}, "is not known in vaults"),
        ({"depth_in": "knee deep"}, "depth_in"),
        ({"visited_at": "yesterday"}, "visited_at"),
        ({"grade": "murky"}, "grade"),
        ({"key": "../../etc"}, "lost its key"),
    ],
)
def test_what_cannot_be_recorded_is_told_and_kept_in_the_form(board: Running, wrong, words):
    before = len(stored(board.location, "visits"))
    with board.client("specialist") as client:
        answer = client.post("/record", data=typed(client, notes="kept", **wrong))
    assert answer.status_code == 422
    assert words in answer.text and ">kept</textarea>" in answer.text
    assert "board.csv" not in answer.text and "/tmp" not in answer.text
    assert len(stored(board.location, "visits")) == before


def test_a_contradiction_is_recorded_and_told(board: Running):
    with board.client("planner") as client:
        answer = client.post("/record", data=typed(client, finding="dry"))
    assert "Recorded as" in answer.text and "Look at it again" in answer.text


def test_other_systems_send_results_once_too(board: Running):
    with board.client("planner") as client:
        headers = {"x-csrf-token": csrf_of(client)}
        body = {
            "key": new_key(),
            "values": {"vault_id": "SM-0004", "visited_at": "2026-11-03T10:00"},
        }
        first = client.post("/api/results", json=body, headers=headers).json()
        again = client.post("/api/results", json=body, headers=headers).json()
        bad = client.post(
            "/api/results", json={**body, "values": {"drop": "table"}}, headers=headers
        )
    assert (first["was_new"], again["was_new"]) == (True, False)
    assert first["visit_id"] == again["visit_id"]
    assert bad.status_code == 400 and "no such columns: drop" in bad.text


def test_loads_are_listed_latest_first(board: Running):
    loads = stored(board.location, "loads").sort_values("loaded_at")
    with board.client("reader") as client:
        page = client.get("/data").text
    assert re.findall(r'<a href="/data/(L\d+)">', page)[0] == loads["load_id"].iloc[-1]


def test_a_database_without_a_plan_says_how_to_make_one(start):
    running = start()
    with open_database(running.location) as database, database.writing() as connection:
        plans = read_table(database, "plans", connection=connection).assign(state="superseded")
        upsert(connection, "plans", table("plans").conform(plans))
    with running.client("reader") as client:
        assert "Make a plan with" in client.get("/").text


def test_a_planner_asks_for_a_change_and_takes_it_back(board: Running):
    order_id = stored(board.location, "plan_jobs")["order_id"].iloc[0]
    form = {
        "order_id": order_id,
        "asks": "bar",
        "truck_id": "C01",
        "on": "2026-11-04",
        "why": "Fair",
    }
    before = len(stored(board.location, "plan_edits"))
    with board.client("planner") as client:
        csrf = csrf_of(client)
        page = client.post("/edits", data={**form, "csrf": csrf}).text
        assert f"{order_id}: bar from C01, Wed 4 Nov; planner: Fair" in text_of(page)
        edits = stored(board.location, "plan_edits", who="planner")
        assert edits[["order_id", "asks", "truck_id"]].values.tolist() == [[order_id, "bar", "C01"]]
        edit_id = edits["edit_id"].iloc[0]
        for expected in (200, 409):
            back = client.post("/edits/back", data={"csrf": csrf, "edit_id": edit_id})
            assert back.status_code == expected
    assert len(stored(board.location, "plan_edits")) == before
    changes = stored(board.location, "changes", row_key=edit_id).sort_values("changed_at")
    assert changes["after"].tolist() == ["came in", "taken back"]
    assert changes["who"].tolist() == ["planner"] * 2


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"order_id": "nothing"}, "there is no order nothing"),
        ({"truck_id": "Z99"}, "there is no truck Z99"),
        ({"on": "tomorrow"}, "YYYY-MM-DD"),
        ({"truck_id": "", "on": ""}, "name a truck, a day, or both"),
        ({"why": " "}, "say why"),
        ({"asks": "hide"}, "keep or to bar"),
    ],
)
def test_a_change_that_cannot_be_asked_is_told(board: Running, wrong, words):
    order_id = stored(board.location, "plan_jobs")["order_id"].iloc[0]
    form = {"order_id": order_id, "asks": "keep", "truck_id": "C01", "on": "", "why": "x", **wrong}
    before = len(stored(board.location, "plan_edits"))
    with board.client("manager") as client:
        answer = client.post("/edits", data={**form, "csrf": csrf_of(client)})
    assert answer.status_code == 422 and words in answer.text
    assert len(stored(board.location, "plan_edits")) == before


@pytest.mark.parametrize("role", ["reader", "specialist"])
def test_who_does_not_plan_asks_for_nothing(board: Running, role):
    with board.client(role) as client:
        csrf = csrf_of(client)
        assert client.post("/edits", data={"csrf": csrf}).status_code == 403
        assert "Take back" not in client.get("/").text


def test_a_database_that_is_busy_is_said_to_be(start):
    running = start(busy_seconds=1)
    with running.client("planner") as client:
        csrf = csrf_of(client)
        order_id = stored(running.location, "plan_jobs")["order_id"].iloc[0]
        form = {"order_id": order_id, "asks": "keep", "truck_id": "C01", "why": "x", "csrf": csrf}
        other = sqlite3.connect(running.location, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        try:
            answer = client.post("/edits", data=form)
        finally:
            other.rollback()
            other.close()
        assert answer.status_code == 503
        assert "That did not work" in answer.text and "Traceback" not in answer.text
        assert client.post("/edits", data=form).status_code == 200
