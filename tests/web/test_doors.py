"""Who gets in, who may do what, and what is refused at the door."""

from __future__ import annotations

import re
import socket

import httpx
import pytest

from vaultplan.store.accounts import MOST_TRIES, ROLES
from vaultplan.web.guard import COOKIE, HEADERS, MOST_BYTES

from .conftest import PASSWORD, Running

READ = ("/", "/vaults", "/vault/SM-0001", "/data", "/api/vaults/SM-0001", "/api/session")
READ += ("/api/openapi.json", "/waters", "/dirty", "/report", "/data/L00001", "/map")
READ += ("/api/tiles/0/0/0", "/api/streets/5/16/16")
RECORD = ("/record", "/record/SM-0001")


def csrf_of(client: httpx.Client) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', client.get("/vaults").text)
    assert found
    return found[1]


@pytest.mark.parametrize("role", [None, *ROLES])
@pytest.mark.parametrize("path", [*READ, *RECORD])
def test_every_page_asks_for_a_role(board: Running, role: str | None, path: str):
    with board.client(role) as client:
        answer = client.get(path, follow_redirects=False)
    if role is None:
        assert answer.status_code == (401 if path.startswith("/api/") else 303)
        assert "SM-" not in answer.text
    else:
        may = path not in RECORD or "record" in ROLES[role]
        assert answer.status_code == (200 if may else 403)


@pytest.mark.parametrize("role", [None, *ROLES])
@pytest.mark.parametrize(
    "path",
    [
        *("/record", "/api/results", "/vaults", "/leave", "/edits", "/edits/back", "/moves"),
        *("/api/moves", "/week/solve", "/week/unsolve", "/week/publish", "/vault/story"),
        *("/waters/watch", "/waters/behind", "/overrides", "/overrides/end", "/dirty", "/report"),
        *("/data/repair", "/crews/void", "/locks", "/locks/lift", "/api/photos/V1", "/learned"),
        "/api/tiles/vaults",
    ],
)
def test_every_change_asks_for_a_role_and_the_form_s_own_token(
    board: Running, role: str | None, path: str
):
    bodies: dict[str, dict[str, object]] = {
        "/api/results": {"key": "0" * 32, "values": {}},
        "/api/tiles/vaults": {"numbers": [1]},
        "/api/moves": {
            **dict.fromkeys(("plan_id", "revision", "order_id", "truck_id"), "x"),
            "on": "2026-11-02",
        },
    }
    body = bodies.get(path)
    with board.client(role) as client:
        answer = client.post(path, json=body, data=None if body else {"csrf": "wrong"})
    assert answer.status_code == (401 if role is None else 403)


@pytest.mark.parametrize("verb", ["PUT", "PATCH", "DELETE", "TRACE"])
def test_other_verbs_do_nothing(board: Running, verb: str):
    with board.client("planner") as client:
        for path in (*READ, *RECORD, "/api/results"):
            assert client.request(verb, path).status_code in (404, 405)


def test_every_answer_forbids_the_browser_all_else(board: Running):
    with board.client("reader") as client:
        answers = [client.get(path) for path in ("/", "/static/board.css", "/nowhere", "/record")]
        answers.append(client.post("/vaults", data={"csrf": "x"}))
    for answer in answers:
        for name, value in HEADERS.items():
            assert answer.headers[name] == value
    policy = HEADERS["content-security-policy"]
    assert "unsafe" not in policy and "default-src 'none'" in policy


def test_pages_ask_nobody_else_for_anything(board: Running):
    with board.client("planner") as client:
        for path in (*(path for path in READ if not path.startswith("/api/")), "/record"):
            text = client.get(path).text
            assert not re.search(r'(?:src|href|action)="(?:https?:)?//', text)
            assert "<script>" not in text and " style=" not in text and " onclick" not in text


def test_a_session_is_new_with_each_log_in_and_ends_with_leaving(board: Running):
    with board.client() as client:
        client.cookies.set(COOKIE, "chosen-by-somebody-else", domain="127.0.0.1")
        client.post("/enter", data={"name": "reader", "word": PASSWORD})
        given = [c.value for c in client.cookies.jar if c.name == COOKIE]
        assert any(len(value or "") > 40 for value in given)
    with board.client("reader") as client:
        token = client.cookies[COOKIE]
        csrf = csrf_of(client)
        client.post("/leave", data={"csrf": csrf})
        again = httpx.get(board.address + "/", cookies={COOKIE: token}, follow_redirects=False)
    assert again.status_code == 303


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(board: Running):
    answer = httpx.post(
        board.address + "/enter", data={"name": "reader", "word": PASSWORD}, follow_redirects=False
    )
    told = answer.headers["set-cookie"].lower()
    assert "httponly" in told and "samesite=strict" in told


def test_guessing_is_stopped(start):
    running = start()
    with running.client() as client:
        wrong = [
            client.post("/enter", data={"name": "planner", "word": f"guess {n}"}).status_code
            for n in range(MOST_TRIES + 2)
        ]
        right = client.post("/enter", data={"name": "planner", "word": PASSWORD})
    assert wrong == [403] * MOST_TRIES + [429] * 2
    assert right.status_code == 429


def test_without_accounts_the_code_of_the_program_is_asked_for(start):
    running = start(accounts=False)
    with running.client() as client:
        assert "no accounts" in client.get("/").text
        assert client.post("/enter", data={"word": "0000-0000"}).status_code == 403
        answer = client.post("/enter", data={"word": running.door.code})
        assert answer.status_code == 200
        assert "this machine, planner" in answer.text


def test_other_names_and_other_sites_are_refused(board: Running):
    with board.client("planner") as client:
        csrf = csrf_of(client)
        assert client.get("/", headers={"host": "elsewhere.example"}).status_code == 400
        for headers in (
            {"origin": "https://elsewhere.example"},
            {"origin": "null"},
            {"sec-fetch-site": "cross-site"},
        ):
            answer = client.post("/vaults", data={"text": "SM", "csrf": csrf}, headers=headers)
            assert answer.status_code == 403


def test_what_is_too_long_is_refused_whatever_it_says_of_itself(board: Running):
    with board.client("planner") as client:
        long = b"csrf=" + b"x" * MOST_BYTES
        assert client.post("/record", content=long).status_code == 413

        def dripping():
            for _ in range(30):
                yield b"x" * (MOST_BYTES // 20)

        headers = {"content-type": "application/x-www-form-urlencoded"}
        answer = client.post("/record", content=dripping(), headers=headers)
        assert answer.status_code in (400, 413)


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e%2fapp.py", "/static/..%5capp.py", "/static/board.css%00"],
)
def test_only_the_board_s_own_files_are_served(board: Running, path: str):
    with board.client("planner") as client:
        assert client.get(path).status_code == 404


def test_a_collector_named_in_the_environment_is_told_nothing(start, monkeypatch):
    with socket.create_server(("127.0.0.1", 0)) as collector:
        address = f"http://127.0.0.1:{collector.getsockname()[1]}"
        monkeypatch.setenv("FASTAPI_OTEL_AUTO_CONFIGURE", "true")
        monkeypatch.setenv("OTEL_EXPORTER_OTLP_ENDPOINT", address)
        running = start(lifespan="on")
        with running.client("reader") as client:
            assert client.get("/vault/SM-0001").status_code == 200
        running.down()
        collector.settimeout(0.5)
        with pytest.raises(TimeoutError):
            collector.accept()
