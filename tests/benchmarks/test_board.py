"""How long fifty people wait for the board's lists at once, over a whole fleet.

Off by default: name a database that ``vaultplan load`` filled, with a plan or without, and run

    VAULTPLAN_DB=FILE python -m pytest tests/benchmarks/test_board.py -m benchmark_run

The board is a process of its own on loopback; each of fifty threads asks for something, waits for
the answer, looks at it for a second on average, and asks again: tiles of the map around a place,
vaults at random, searches by the start of an id, and where a week is planned its trucks by days and
the orders left out. Before them one planner tries some moves and takes back what was done. Written
to ``.benchmarks/board.json``.
"""

from __future__ import annotations

import json
import os
import platform
import random
import re
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import numpy as np
import pytest

from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

PEOPLE, REQUESTS, PORT, LOOKS_S, MOVES = 50, 30, 8799, 1.0, 8
ADDRESS = f"http://127.0.0.1:{PORT}"


def test_fifty_people_at_once(tmp_path: Path) -> None:
    location = os.environ.get("VAULTPLAN_DB")
    if not location:
        pytest.skip("name a loaded database in VAULTPLAN_DB")
    with open_database(location) as database:
        vault_ids = read_table(database, "vaults", columns=["vault_id"])["vault_id"].tolist()
    command = ["from vaultplan.cli import main; main()", "board", "--db", location]
    command += ["--port", str(PORT), "--accounts", str(tmp_path / "accounts.sqlite")]
    with subprocess.Popen(
        [sys.executable, "-uc", *command], stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        told = "".join(line for line, _ in zip(run.stdout, range(3), strict=False))
        code = re.search(r"code: (\S+)", told)
        assert code, told
        _wait()
        with httpx.Client(base_url=ADDRESS, follow_redirects=True, timeout=600) as first:
            page = first.post("/enter", data={"word": code[1]}).text
            csrf = re.search(r'name="csrf" value="([^"]+)"', page)
            cookies = dict(first.cookies)
            began = time.perf_counter()
            first.get("/api/tiles/0/0/0")
            first.get("/")
            ready_s = time.perf_counter() - began
            assert csrf
            moves_s = _moves(first, csrf[1], page)
        plan = re.search(r'href="(/week/[^"#?]+)#left"', page)

        def one(person: int) -> list[tuple[str, float, int]]:
            chance = random.Random(person)
            seen = []
            with httpx.Client(base_url=ADDRESS, cookies=cookies, timeout=60) as client:
                for _ in range(REQUESTS):
                    kind = chance.choice(
                        ["tile", "tile", "vault", "search", *(["week", "left out"] if plan else [])]
                    )
                    time.sleep(chance.expovariate(1.0 / LOOKS_S))
                    began = time.perf_counter()
                    if kind == "vault":
                        answer = client.get(f"/vault/{chance.choice(vault_ids)}")
                    elif kind == "search":
                        text = chance.choice(vault_ids)[:-2]
                        answer = client.post("/vaults", data={"text": text, "csrf": csrf[1]})
                    elif kind == "tile":
                        level = chance.randint(0, 8)
                        column, row = (chance.randrange(2**level) for _ in range(2))
                        answer = client.get(f"/api/tiles/{level}/{column}/{row}")
                    elif kind == "week":
                        answer = client.get(f"/?trucks={chance.randint(1, 5)}")
                    else:
                        answer = client.get(f"{plan[1]}?page={chance.randint(1, 9)}")
                    seen.append((kind, time.perf_counter() - began, answer.status_code))
            return seen

        with ThreadPoolExecutor(PEOPLE) as pool:
            seen = [row for rows in pool.map(one, range(PEOPLE)) for row in rows]
        run.terminate()
    kinds = sorted({kind for kind, _, _ in seen})
    report = {
        "machine": {"cores": os.cpu_count(), "python": platform.python_version()},
        "vaults": len(vault_ids),
        "people": PEOPLE,
        "first_map_and_week_s": round(ready_s, 1),
        "requests": len(seen),
        "moves_s": [round(seconds, 2) for seconds in moves_s],
        "errors": sum(status != 200 for _, _, status in seen),
        "p50_ms": {k: _quantile(seen, k, 50) for k in kinds},
        "p95_ms": {k: _quantile(seen, k, 95) for k in kinds},
    }
    folder = Path(".benchmarks")
    folder.mkdir(exist_ok=True)
    (folder / "board.json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")


def _moves(client: httpx.Client, csrf: str, page: str) -> list[float]:
    """Return the seconds that moves of orders to other crews' days take, whatever comes of them."""
    plan = re.search(r'data-plan="([^"]+)"', page)
    orders = re.findall(r'data-order="([^"]+)"', page)
    cells = re.findall(r'data-truck="([^"]+)" data-on="([^"]+)"', page)
    if not plan or not orders or not cells:
        return []
    chance, taken = random.Random(1), []
    for _ in range(MOVES):
        revision = re.search(r'data-revision="([^"]+)"', client.get("/").text)
        assert revision
        truck, on = chance.choice(cells)
        asked = {"plan_id": plan[1], "revision": revision[1], "order_id": chance.choice(orders),
                 "truck_id": truck, "on": on}  # fmt: skip
        began = time.perf_counter()
        answer = client.post("/api/moves", json=asked, headers={"x-csrf-token": csrf})
        taken.append(time.perf_counter() - began)
        assert answer.status_code in (200, 409), answer.text
        for edit_id in re.findall(r'name="edit_id" value="(B-[^"]+)"', client.get("/").text):
            client.post("/edits/back", data={"csrf": csrf, "edit_id": edit_id})
    return taken


def _quantile(seen: list[tuple[str, float, int]], kind: str, percent: float) -> float:
    return round(1000 * float(np.percentile([s for k, s, _ in seen if k == kind], percent)), 1)


def _wait() -> None:
    for _ in range(200):
        try:
            httpx.get(ADDRESS + "/enter")
        except httpx.HTTPError:
            time.sleep(0.1)
        else:
            return
    pytest.fail("the board did not come up")
