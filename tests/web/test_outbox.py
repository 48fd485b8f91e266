"""Results typed while the board is down: kept by the browser, sent later, each exactly once."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Error as PlaywrightError

from tests.conftest import BROWSER_FLAGS, CHROMIUM
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

from .conftest import PASSWORD, Running

pytestmark = pytest.mark.browser

PHONE = {"width": 390, "height": 844}


@contextmanager
def phone(browser: Any, folder: Path) -> Iterator[Any]:
    """A browser whose memory is in a folder, and outlives it."""
    context = browser.browser_type.launch_persistent_context(
        str(folder), executable_path=str(CHROMIUM), args=BROWSER_FLAGS, viewport=PHONE
    )
    context.set_default_timeout(120_000)
    yield context.pages[0]
    # One that was killed is closed already.
    with suppress(PlaywrightError):
        context.close()


def kill(folder: Path) -> None:
    """End every process of the browser with that memory at once, as an empty battery does."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if str(folder).encode() in words and b"chrom" in words:
                os.kill(int(entry.name), signal.SIGKILL)


def log_in(page: Any, board: Running) -> None:
    page.goto(f"{board.address}/enter")
    page.get_by_label("Name").fill("planner")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Come in").click()
    page.wait_for_selector("html[data-ready]")


def open_form(page: Any, board: Running) -> None:
    page.goto(f"{board.address}/record")
    page.wait_for_selector("html[data-outbox='ready']")


def on_disk(folder: Path) -> None:
    """Wait until the browser has written what it keeps, which it does some seconds later."""
    for _ in range(600):
        for index in folder.rglob("CacheStorage/*/index.txt"):
            if b"vaultplan-form" in index.read_bytes():
                return
        time.sleep(0.2)
    raise AssertionError("the browser never wrote the form to its disk")


def type_result(page: Any, number: int) -> None:
    page.get_by_label("Vault").fill(f"SM-{number:04d}")
    page.get_by_label("When the lid was opened").fill("2026-11-03T09:30")
    page.get_by_label("Found").select_option("wet")
    page.get_by_label("Depth of water, in").fill("14")
    page.get_by_label("Remarks").fill(f"outbox {number}")
    page.get_by_role("button", name="Record").click()


def recorded(board: Running, numbers: range) -> list[tuple[str, str]]:
    notes = [f"outbox {number}" for number in numbers]
    with open_database(board.location) as database:
        visits = read_table(database, "visits", where={"notes": notes})
    return sorted(zip(visits["vault_id"], visits["notes"], strict=True))


def test_thirty_results_typed_without_the_board_arrive_once(browser: Any, start, tmp_path: Path):
    board: Running = start()
    numbers = range(20, 50)
    with phone(browser, tmp_path) as page:
        log_in(page, board)
        open_form(page, board)
        page.wait_for_function("async () => Boolean(await caches.match('/record'))")
        on_disk(tmp_path)
        board.down()
        for at, number in enumerate(numbers[:15], start=1):
            type_result(page, number)
            page.wait_for_selector(f"html[data-waiting='{at}']")
        assert "Kept on this device: no connection" in page.get_by_role("status").inner_text()
        kill(tmp_path)
    with phone(browser, tmp_path) as page:
        # The form itself comes from the device.
        open_form(page, board)
        page.wait_for_selector("html[data-waiting='15']")
        for at, number in enumerate(numbers[15:], start=16):
            type_result(page, number)
            page.wait_for_selector(f"html[data-waiting='{at}']")
        assert recorded(board, numbers) == []
        board.up()
        log_in(page, board)
        open_form(page, board)
        page.wait_for_selector("html[data-waiting='0']")
    assert recorded(board, numbers) == sorted((f"SM-{n:04d}", f"outbox {n}") for n in numbers)


def test_it_is_sent_by_itself_when_the_board_is_back(browser: Any, start, tmp_path: Path):
    board: Running = start()
    with phone(browser, tmp_path) as page:
        log_in(page, board)
        open_form(page, board)
        board.down()
        type_result(page, 60)
        page.wait_for_selector("html[data-waiting='1']")
        board.up()
        page.wait_for_selector("html[data-waiting='0']")
    assert recorded(board, range(60, 61)) == [("SM-0060", "outbox 60")]


def test_what_the_board_does_not_take_is_kept_to_be_mended(browser: Any, start, tmp_path: Path):
    board: Running = start()
    with phone(browser, tmp_path) as page:
        log_in(page, board)
        open_form(page, board)
        board.down()
        type_result(page, 9999)
        page.wait_for_selector("html[data-waiting='1']")
        board.up()
        page.get_by_text("is not known in vaults").wait_for()
        page.get_by_role("button", name="Mend").click()
        page.wait_for_selector("html[data-waiting='0']")
        assert page.get_by_label("Remarks").input_value() == "outbox 9999"
        page.get_by_label("Vault").fill("SM-0061")
        page.get_by_role("button", name="Record").click()
        page.get_by_text("Recorded as B-").wait_for()
    assert recorded(board, range(9999, 10_000)) == [("SM-0061", "outbox 9999")]


def test_results_wait_for_who_typed_them(browser: Any, start, tmp_path: Path):
    board: Running = start()
    with phone(browser, tmp_path) as page:
        log_in(page, board)
        open_form(page, board)
        board.down()
        type_result(page, 62)
        page.wait_for_selector("html[data-waiting='1']")
        board.up()
        # The device changes hands before the board was reached.
        board.door.accounts.close("planner")
        page.goto(f"{board.address}/enter")
        page.get_by_label("Name").fill("specialist")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Come in").click()
        page.wait_for_selector("html[data-ready]")
        open_form(page, board)
        page.wait_for_timeout(6000)
        assert page.locator("html").get_attribute("data-waiting") == "1"
    assert recorded(board, range(62, 63)) == []
