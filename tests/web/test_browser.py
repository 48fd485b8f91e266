"""A planner's way through the board in Chromium: at a desk, on a phone, by the keyboard alone."""

from __future__ import annotations

import io
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from PIL import Image

from tests.conftest import new_context
from vaultplan.store.accounts import Scope
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

from .conftest import PASSWORD, Running
from .test_week import move_one

pytestmark = pytest.mark.browser

AXE = Path(__file__).parents[1] / "node" / "node_modules" / "axe-core" / "axe.min.js"
PAGES = (*("/", "/vaults", "/map", "/waters", "/dirty", "/record", "/data", "/report", "/crews"),)
SIZES = {"desk": {"width": 1360, "height": 860}, "phone": {"width": 390, "height": 844}}


@contextmanager
def seen(browser: Any, board: Running, size: str, *, bypass_csp: bool = False) -> Iterator[Any]:
    """A page at a size; whatever the browser complains about is a failure."""
    context = new_context(browser, viewport=SIZES[size], bypass_csp=bypass_csp)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    yield page
    assert complaints == []
    assert all(url.startswith((board.address, "data:")) for url in asked)
    context.close()


def log_in(page: Any, board: Running, role: str = "planner") -> None:
    page.goto(board.address)
    page.get_by_label("Name").fill(role)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Come in").click()
    page.wait_for_selector("html[data-ready]")


@pytest.mark.parametrize("size", SIZES)
def test_from_log_in_to_a_result(browser: Any, board: Running, size: str):
    with seen(browser, board, size) as page:
        log_in(page, board)
        page.locator("table.week a").first.click()
        page.get_by_role("link", name="result", exact=True).first.click()
        vault_id = page.get_by_label("Vault").input_value()
        assert vault_id.startswith("SM-")
        assert page.get_by_label("Order, if any").input_value().startswith("SM-O")
        page.get_by_label("When the lid was opened").fill("2026-11-03T09:30")
        page.get_by_label("Found").select_option("wet")
        page.get_by_label("Depth of water, in").fill("14")
        page.get_by_label("Look of the water in a bailer").select_option("light")
        page.get_by_label("Remarks").fill(f"by {size}")
        page.get_by_role("button", name="Record").click()
        assert "Recorded as B-" in page.get_by_role("status").inner_text()
        # No page is wider than the screen; tables scroll in their own box.
        for path in (*PAGES, f"/vault/{vault_id}"):
            page.goto(board.address + path)
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= SIZES[size]["width"], path
    with open_database(board.location) as database:
        visits = read_table(database, "visits", where={"notes": f"by {size}"})
    assert visits[["vault_id", "depth_in", "grade"]].values.tolist() == [[vault_id, 14.0, "light"]]


def test_by_the_keyboard_alone(browser: Any, board: Running):
    with seen(browser, board, "desk") as page:

        def tab_to(words: str) -> None:
            for _ in range(60):
                page.keyboard.press("Tab")
                held = page.evaluate(
                    "(document.activeElement.labels?.[0] ?? document.activeElement).innerText"
                ).strip()
                if held.startswith(words):
                    assert (
                        page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                        == "solid"
                    )
                    return
            pytest.fail(f"{words} cannot be reached")

        page.goto(board.address)
        tab_to("Name")
        page.keyboard.type("planner")
        tab_to("Password")
        page.keyboard.type(PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_selector("table.week")
        tab_to("Vaults")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Begin of an id")
        tab_to("Begin of an id")
        page.keyboard.type("SM-0005")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=SM-0005")
        tab_to("SM-0005")
        page.keyboard.press("Enter")
        page.wait_for_selector("h1:has-text('Vault SM-0005')")


def possible(board: Running) -> tuple[str, str, str]:
    """An order and another crew's day that has room for it."""
    with board.client("planner") as client:
        order, truck, on, _, _ = move_one(client, board)
        take_back(client, board)
    return order, truck, on


def take_back(client: Any, board: Running) -> None:
    with open_database(board.location) as database:
        edits = read_table(database, "plan_edits")
    csrf = client.get("/api/session").json()["csrf"]
    for edit in edits.loc[edits["edit_id"].str.startswith("B-"), "edit_id"]:
        client.post("/edits/back", data={"csrf": csrf, "edit_id": edit})


def work_done(page: Any) -> None:
    """Wait on the page of long work until it is done, and go where it leads."""
    page.get_by_text("Done.").wait_for()
    page.get_by_role("link", name="Back").click()


@pytest.mark.parametrize("size", SIZES)
def test_the_specialist_checks_a_water_and_lowers_a_decision(
    browser: Any, board: Running, size: str
):
    """From log-in by the watch-list and what lies behind an outfall to an override, and its end."""
    with open_database(board.location) as database:
        traces = read_table(database, "plan_jobs")
        zone = database.time_zone
    vault_id = str(traces["vault_id"].iloc[3])
    last = f"{pd.Timestamp.now(zone) + pd.Timedelta(days=5):%Y-%m-%d}"
    with seen(browser, board, size) as page:
        log_in(page, board, "specialist")
        page.get_by_role("link", name="Waters", exact=True).click()
        page.get_by_role("button", name="Reckon the watch-list").click()
        work_done(page)
        assert page.get_by_role("heading", name="Sensitive waters").count() == 1
        rows = page.get_by_role("group", name="Discharges").locator("tbody tr")
        assert rows.count() > 0
        way = rows.first.locator("td").nth(3).inner_text()
        page.get_by_label("Place").fill(way.rpartition(", ")[2])
        page.get_by_role("button", name="Look behind it").click()
        work_done(page)
        page.get_by_label("Vault", exact=True).fill(vault_id)
        page.get_by_label("Set to").select_option("vacuum_truck")
        page.get_by_label("Last day it holds").fill(last)
        page.get_by_label("Why").fill(f"oil seen, {size}")
        page.get_by_role("button", name="Decide").click()
        row = page.get_by_role("group", name="Overrides").locator("tr", has_text=f"seen, {size}")
        assert row.inner_text().startswith(vault_id)
        assert "specialist" in row.inner_text()
        page.get_by_role("link", name=vault_id, exact=True).first.click()
        page.wait_for_selector(f"h1:has-text('Vault {vault_id}')")
        page.goto(board.address + "/waters")
        page.get_by_role("button", name=f"End the override of {vault_id}").first.click()
        page.wait_for_load_state()
        assert page.get_by_text(f"seen, {size}").count() == 0
    with open_database(board.location) as database:
        changes = read_table(database, "changes", where={"after": "ended"})
    assert "specialist" in set(changes["who"])


@pytest.mark.parametrize("size", SIZES)
def test_the_analyst_looks_for_hot_spots_and_takes_a_report(
    browser: Any, board: Running, size: str, tmp_path: Path
):
    with seen(browser, board, size) as page:
        log_in(page, board, "reader")
        page.get_by_role("link", name="Where it is dirty").click()
        page.get_by_label("Look").select_option("hex")
        page.get_by_role("button", name="Look for hot spots").click()
        work_done(page)
        page.get_by_role("heading", name="Hot spots").wait_for()
        spots = page.get_by_role("group", name="Hot spots").locator("tbody tr").count()
        nothing = page.get_by_text("Nothing stands out: what was seen").count()
        assert bool(spots) != bool(nothing)
        page.get_by_role("link", name="The map and the evidence").click()
        page.wait_for_selector("h1")
        assert page.locator("body").inner_text().strip()
        page.goto(board.address + "/report")
        page.get_by_label("Year").fill("2025")
        page.get_by_role("button", name="Make the report").click()
        page.get_by_text("Done.").wait_for()
        with page.expect_download() as taken:
            page.get_by_role("link", name="visits_2025.csv").click()
        taken.value.save_as(tmp_path / "visits.csv")
    rows = pd.read_csv(tmp_path / "visits.csv")
    assert len(rows) and rows["on"].str.startswith("2025").all()


@pytest.mark.parametrize("by", ["drag", "keyboard"])
def test_an_order_is_moved(browser: Any, board: Running, by: str):
    order, truck, on = possible(board)
    with seen(browser, board, "desk") as page:
        log_in(page, board)
        item = page.locator(f'#grid [data-order="{order}"]')
        cell = page.locator(f'#grid td[data-truck="{truck}"][data-on="{on}"]')
        if by == "drag":
            # So high that nothing scrolls between picking up and putting down.
            page.set_viewport_size({"width": 1360, "height": 6000})
            item.drag_to(cell, target_position={"x": 60, "y": 12})
        else:
            item.focus()
            page.keyboard.press("Enter")
            for _ in range(60):
                aimed, wanted = (
                    page.evaluate(
                        "(cell) => [cell.closest('tr').rowIndex, cell.cellIndex]",
                        found.element_handle(),
                    )
                    for found in (page.locator("#grid td.target"), cell)
                )
                if aimed == wanted:
                    break
                down = "ArrowDown" if aimed[0] < wanted[0] else "ArrowUp"
                side = "ArrowRight" if aimed[1] < wanted[1] else "ArrowLeft"
                page.keyboard.press(down if aimed[0] != wanted[0] else side)
            page.keyboard.press("Enter")
        page.locator("#told", has_text=f"{order} is kept to {truck}").wait_for()
        assert cell.locator(f'[data-order="{order}"]', has_text="kept").count() == 1
        assert "every limit holds" in page.locator("#state").inner_text()
        # What was moved is held still, so that the keyboard goes on from there.
        assert page.evaluate("document.activeElement.dataset.order") == order
    with board.client("planner") as client:
        take_back(client, board)


def test_the_map_shows_the_fleet_and_names_a_vault(browser: Any, board: Running):
    with seen(browser, board, "desk") as page:
        log_in(page, board)
        page.goto(board.address + "/map")
        page.wait_for_selector("html[data-tiles='all']")
        canvas = page.locator("#map")
        colours = page.evaluate(
            """() => {
              const map = document.getElementById('map');
              const all = map.getContext('2d').getImageData(0, 0, map.width, map.height).data;
              const found = new Set();
              for (let at = 0; at < all.length; at += 4) {
                found.add(`${all[at]},${all[at + 1]},${all[at + 2]}`);
              }
              return [...found];
            }"""
        )
        for colour in ("124,196,234", "176,83,159", "46,15,69"):
            assert colour in colours
        canvas.focus()
        for key in ("+", "+", "+", "ArrowLeft", "-"):
            page.keyboard.press(key)
        page.wait_for_selector("html[data-tiles='all']")
        box = canvas.bounding_box()
        for at in range(1, 200):
            x, y = box["width"] * (at * 0.137 % 1), box["height"] * (at * 0.211 % 1)
            canvas.click(position={"x": x, "y": y})
            if page.locator("#named a").count():
                break
        page.locator("#named a").first.click()
        page.wait_for_selector("h1:has-text('Vault SM-')")


def test_a_crew_s_link_opens_its_stops_on_a_phone(browser: Any, board: Running):
    ends = time.time() + 3600
    code = board.door.accounts.link_code(Scope("C01", "2026-11-02", "2026-11-08"), ends)
    with seen(browser, board, "phone") as page:
        page.goto(f"{board.address}/crew#{code}")
        page.wait_for_selector("h1:has-text('C01')")
        assert code not in page.url
        page.get_by_role("link", name="Record").first.click()
        page.wait_for_selector("html[data-outbox='ready']")
        picture = io.BytesIO()
        Image.effect_noise((3000, 1500), 60).convert("RGB").save(picture, "JPEG")
        page.get_by_label("Pictures").set_input_files(
            {"name": "lid.jpg", "mimeType": "image/jpeg", "buffer": picture.getvalue()}
        )
        page.get_by_label("Found").select_option("dry")
        page.get_by_label("Remarks").fill("by crew")
        page.get_by_role("button", name="Record").click()
        page.get_by_text("Recorded as B-").wait_for()
    with open_database(board.location) as database:
        visits = read_table(database, "visits", where={"notes": "by crew"})
        photos = read_table(database, "photos", where={"visit_id": list(visits["visit_id"])})
    assert photos["who"].tolist() == ["crew C01"]
    with board.client("reader") as client:
        answer = client.get(f"/photos/{photos['photo_id'].iloc[0]}")
        assert client.get(f"/vault/{visits['vault_id'].iloc[0]}").text.count("/photos/") == 2
    with Image.open(io.BytesIO(answer.content)) as kept:
        assert kept.size == (2000, 1000) and not kept.getexif()


@pytest.mark.parametrize("size", SIZES)
def test_axe_finds_nothing_serious(browser: Any, board: Running, size: str):
    if not AXE.exists():
        if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
            pytest.fail("axe-core is not installed: npm install in tests/node")
        pytest.skip("axe-core is not installed: npm install in tests/node")
    axe = AXE.read_text(encoding="utf-8")
    with seen(browser, board, size, bypass_csp=True) as page:
        page.goto(board.address + "/enter")
        pages = ["/enter"]
        log_in(page, board)
        pages += [*PAGES, "/vault/SM-0001", "/data/L00001", "/crew"]
        pages.append(page.locator("table.week a").first.get_attribute("href"))
        for path in pages:
            page.goto(board.address + path)
            page.evaluate(axe)
            found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
            serious = [
                (path, each["id"], [node["target"] for node in each["nodes"][:3]])
                for each in found
                if each["impact"] in ("serious", "critical")
            ]
            assert serious == []
