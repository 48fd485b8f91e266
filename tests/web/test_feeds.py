"""Other systems' rows: by key, once each, altered when they change, refused when they are none."""

from __future__ import annotations

import httpx
import pandas as pd
import pytest

from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

from .conftest import Running

ORDER = {"order_id": "X-1", "vault_id": "SM-0061", "task": "splice", "due_on": "2026-11-12"}


@pytest.fixture(scope="module")
def system(board: Running):
    key = board.door.accounts.give_key("dispatch")
    headers = {"authorization": f"Bearer {key}"}
    with httpx.Client(base_url=board.address, headers=headers, timeout=60) as client:
        yield client


def send(client: httpx.Client, key: str, *rows: dict[str, str], feed: str = "orders"):
    return client.post(
        f"/api/feeds/{feed}", json={"rows": list(rows)}, headers={"idempotency-key": key}
    )


def orders(board: Running) -> pd.DataFrame:
    with open_database(board.location) as database:
        return read_table(database, "work_orders").set_index("order_id")


def test_rows_are_taken_once_and_altered_when_sent_anew(board: Running, system: httpx.Client):
    first = send(system, "batch-0001", ORDER, {**ORDER, "order_id": "X-2"})
    assert first.status_code == 200, first.text
    assert {name: first.json()[name] for name in ("rows", "new", "changed", "set_aside")} == {
        "rows": 2, "new": 2, "changed": 0, "set_aside": 0,
    }  # fmt: skip
    again = send(system, "batch-0001", ORDER, {**ORDER, "order_id": "X-2"})
    assert again.json() == first.json()
    other = send(system, "batch-0001", {**ORDER, "task": "cable_pull"})
    assert other.status_code == 409 and orders(board).loc["X-1", "task"] == "splice"
    changed = send(system, "batch-0002", {**ORDER, "task": "cable_pull"})
    assert (changed.json()["new"], changed.json()["changed"]) == (0, 1)
    assert orders(board).loc["X-1", "task"] == "cable_pull"


def test_a_row_that_cannot_be_read_is_set_aside_and_told_and_the_rest_taken(
    board: Running, system: httpx.Client
):
    bad = {**ORDER, "order_id": "X-4", "vault_id": "nowhere"}
    more = {**bad, "order_id": "X-5"}
    told = send(system, "batch-0003", {**ORDER, "order_id": "X-3"}, bad, more).json()
    assert (told["new"], told["set_aside"]) == (1, 2)
    assert [row["row"] for row in told["findings"] if row["severity"] == "error"] == [1, 2]
    assert "X-3" in orders(board).index and "X-4" not in orders(board).index
    with open_database(board.location) as database:
        aside = read_table(database, "raw_rows", where={"load_id": told["load_id"]})
    assert len(aside) == 2


def test_results_come_the_same_way(board: Running, system: httpx.Client):
    row = {
        "visit_id": "X-V1", "vault_id": "SM-0061", "visited_at": "2026-10-29T09:30",
        "finding": "wet", "depth_in": "9",
    }  # fmt: skip
    assert send(system, "batch-0004", row, feed="results").json()["new"] == 1
    assert send(system, "batch-0005", row, feed="results").json()["same"] == 1


@pytest.mark.parametrize(
    ("rows", "key", "status"),
    [
        ([{"order_id": "X", "no_such": "1"}], "batch-0006", 400),
        ([], "batch-0007", 422),
        ([{"order_id": "X"}], "short", 422),
        ([{"order_id": "X"}] * 5_001, "batch-0008", 422),
        ([{"order_id": 5}], "batch-0009", 422),
    ],
)
def test_what_is_no_batch_is_refused(
    system: httpx.Client, rows: list[dict[str, object]], key: str, status: int
):
    answer = system.post("/api/feeds/orders", json={"rows": rows}, headers={"idempotency-key": key})
    assert answer.status_code == status


def test_only_who_may_feed_does(board: Running, system: httpx.Client):
    with httpx.Client(base_url=board.address, timeout=60) as nobody:
        assert send(nobody, "batch-0010", ORDER).status_code == 401
        nobody.headers["authorization"] = "Bearer guessed"
        assert send(nobody, "batch-0010", ORDER).status_code == 401
    with board.client("reader") as reader:
        assert send(reader, "batch-0010", ORDER).status_code == 403
    with board.client("planner") as planner:
        # A person's browser sends its session by itself: it must say the session's token too.
        assert send(planner, "batch-0010", ORDER).status_code == 403
    assert system.get("/api/vaults/SM-0061").status_code == 200
    assert system.post("/moves", data={}).status_code == 403
    board.door.accounts.give_key("dispatch")
    assert system.get("/api/vaults/SM-0061").status_code == 401
