"""Every page the program writes, for people with a keyboard or a screen reader: axe-core 4.14."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from vaultplan import checking, explaining, pipeline, scoring, watching
from vaultplan.settings import Settings

pytestmark = pytest.mark.browser

CHROMIUM = Path("/usr/bin/chromium")
AXE = Path(__file__).parent / "node" / "node_modules" / "axe-core" / "axe.min.js"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
PAGES = (
    *("map.html", "map_watch.html", "map_dirty.html", "week.html"),
    *("watch.html", "quality.html", "skill.html", "vault.html"),
)


def _require(found: bool, what: str) -> None:
    if found:
        return
    if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
        pytest.fail(what)
    pytest.skip(what)


@pytest.fixture(scope="module")
def pages(demo_file: Path, tmp_path_factory: pytest.TempPathFactory, quick: Settings) -> Path:
    """A folder with every page, of the invented town's week."""
    out = tmp_path_factory.mktemp("pages")
    town = str(out / "town.gpkg")
    Path(town).write_bytes(demo_file.read_bytes())
    result = pipeline.plan(town, out=out, settings=quick)
    watching.watch(town, page=out / "watch.html", settings=quick)
    checking.check(town, page=out / "quality.html")
    vaults = result.frames["plan_stops"]["vault_id"].dropna().unique()[:2]
    explaining.explain(town, vault_ids=list(vaults), page=out / "vault.html", settings=quick)
    scoring.skill(town, out=out, origins=1, settings=quick)
    return out


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    _require(CHROMIUM.exists(), "Chromium is not installed")
    _require(AXE.exists(), "axe-core is not installed: npm install in tests/node")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        running = started.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield running
        running.close()


@pytest.mark.parametrize("is_phone", [False, True])
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_serious(browser: Any, pages: Path, name: str, is_phone: bool) -> None:
    """Its rules include WCAG's contrast of 4.5:1 for every text that is HTML."""
    size = {"width": 390, "height": 844} if is_phone else {"width": 1360, "height": 860}
    context = browser.new_context(viewport=size, bypass_csp=True, offline=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto((pages / name).as_uri())
    page.wait_for_timeout(400)
    assert complaints == []
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
    serious = [
        (each["id"], [node["target"] for node in each["nodes"][:3]])
        for each in found
        if each["impact"] in ("serious", "critical")
    ]
    assert serious == []
    context.close()
