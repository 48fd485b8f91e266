"""A planner's way through the board in Chromium: at a desk, on a phone, by the keyboard alone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

from .conftest import PASSWORD, Running

pytestmark = pytest.mark.browser

AXE = Path(__file__).parents[1] / "node" / "node_modules" / "axe-core" / "axe.min.js"
SIZES = {"desk": {"width": 1360, "height": 860}, "phone": {"width": 390, "height": 844}}


@contextmanager
def seen(browser: Any, board: Running, size: str, *, bypass_csp: bool = False) -> Iterator[Any]:
    """A page at a size; whatever the browser complains about is a failure."""
    context = browser.new_context(viewport=SIZES[size], bypass_csp=bypass_csp)
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


def log_in(page: Any, board: Running) -> None:
    page.goto(board.address)
    page.get_by_label("Name").fill("planner")
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
        for path in ("/", "/vaults", f"/vault/{vault_id}", "/data", "/record"):
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
        pages += ["/", "/vaults", "/vault/SM-0001", "/data", "/record"]
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
