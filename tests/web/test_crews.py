"""A crew's link: its own stops, results at those, nothing else, and no longer than it should."""

from __future__ import annotations

import html
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest

from vaultplan.store.accounts import MOST_TRIES, Scope
from vaultplan.web.results import new_key

from .conftest import Running


@pytest.fixture
def links(board: Running) -> dict[str, str]:
    """Codes of the trucks' links, as the planner's page gives them."""
    with board.client("planner") as client:
        page = html.unescape(client.get("/crews").text)
    found = re.findall(r'<h2>(\w+)</h2>.*?value="[^"#]+/crew#([^"]+)"', page, re.DOTALL)
    return dict(found)


@contextmanager
def crew(board: Running, code: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=board.address, follow_redirects=True, timeout=60) as client:
        client.post("/crew", data={"code": code})
        yield client


def vaults_of(page: str) -> set[str]:
    return set(re.findall(r'href="/record/([^"]+)"', page))


def test_a_link_shows_a_crew_its_own_stops_alone(board: Running, links: dict[str, str]):
    with board.client("planner") as planner:
        days = set(re.findall(r'href="(/week/[^"]+/C01)"', planner.get("/").text))
        own = {vault for day in days for vault in vaults_of(planner.get(day).text)}
    with crew(board, links["C01"]) as client:
        page = client.get("/crew/stops").text
        assert vaults_of(page) == own and own
        for path in ("/", "/vaults", "/vault/SM-0001", "/data", "/waters", "/dirty", "/report",
                     "/crews", "/api/vaults/SM-0001", "/api/openapi.json"):  # fmt: skip
            assert client.get(path).status_code == 403
        mine = next(iter(own))
        assert client.get(f"/record/{mine}").status_code == 200
        session = client.get("/api/session").json()
        assert session["name"] == "crew C01"
        result = {"vault_id": mine, "visited_at": "2026-11-03T09:30", "finding": "dry"}
        headers = {"x-csrf-token": session["csrf"]}
        sent = {"key": new_key(), "values": result}
        assert client.post("/api/results", json=sent, headers=headers).json()["was_new"]
        other = next(v for v in ("SM-0001", "SM-0002", "SM-0003") if v not in own)
        sent = {"key": new_key(), "values": {**result, "vault_id": other}}
        assert client.post("/api/results", json=sent, headers=headers).status_code == 403
        assert client.get(f"/record/{other}").status_code == 403


def test_the_code_is_behind_the_mark_and_signed(board: Running, links: dict[str, str]):
    words, _, signature = links["C01"].partition(".")
    for code in (
        "",
        "x",
        words,
        f"{words}.",
        f"{words}.{signature[:-2]}AA",
        f"{words[:-2]}.{signature}",
    ):
        answer = httpx.post(board.address + "/crew", data={"code": code}, follow_redirects=False)
        assert answer.status_code == 403 and "set-cookie" not in answer.headers


def test_a_link_ends(start):
    board: Running = start()
    accounts = board.door.accounts
    scope = Scope("C01", "2026-11-02", "2026-11-08")
    assert accounts.begin_crew(accounts.link_code(scope, time.time() - 1)) is None
    code = accounts.link_code(scope, time.time() + 60)
    with crew(board, code) as client:
        assert client.get("/crew/stops").status_code == 200
        with board.client("planner") as planner:
            csrf = re.search(r'name="csrf" value="([^"]+)"', planner.get("/crews").text)
            assert csrf
            planner.post("/crews/void", data={"csrf": csrf[1]})
        assert client.get("/crew/stops").status_code == 403
    assert accounts.begin_crew(code) is None


def test_guessing_links_is_stopped(start):
    board: Running = start()
    answers = [
        httpx.post(board.address + "/crew", data={"code": f"x.{n}"}).status_code
        for n in range(MOST_TRIES + 1)
    ]
    assert answers == [403] * MOST_TRIES + [429]
