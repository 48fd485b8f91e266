"""Every page the program writes, for people with a keyboard, a screen reader or weak eyes.

axe-core 4.14 looks at the page as a tree. Contrast is also measured in pixels, which reaches what
axe leaves open: letters in drawings and on canvases. At least 4.5:1 by W3C (2018), WCAG 2.1,
success criterion 1.4.3.
"""

from __future__ import annotations

import io
import itertools
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from scipy.ndimage import binary_fill_holes

from tests.conftest import new_context
from vaultplan import analysing, checking, explaining, scoring, watching
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

from .seeing import contrast, lightness, overlap, rgb

pytestmark = pytest.mark.browser

LETTERS = Path(__file__).parent / "letters.js"
AXE = Path(__file__).parent / "node" / "node_modules" / "axe-core" / "axe.min.js"
PAGES = (
    *("map.html", "map_watch.html", "map_dirty.html", "week.html"),
    *("watch.html", "quality.html", "skill.html", "vault.html", "hotspots.html"),
)


@pytest.fixture(scope="module")
def pages(planned_demo: Path, tmp_path_factory: pytest.TempPathFactory, quick: Settings) -> Path:
    """A folder with every page, of the invented town's week."""
    out = tmp_path_factory.mktemp("access") / "pages"
    shutil.copytree(planned_demo / "week", out)
    town = str(shutil.copy(planned_demo / "town.gpkg", out / "town.gpkg"))
    with open_database(town) as database:
        stops = read_table(database, "plan_stops")
    watching.watch(town, page=out / "watch.html", settings=quick)
    checking.check(town, page=out / "quality.html")
    vaults = stops["vault_id"].dropna().unique()[:2]
    explaining.explain(town, vault_ids=list(vaults), page=out / "vault.html", settings=quick)
    # So early that parts of the town are not known.
    early = pd.Timestamp("2019-03-01")
    analysing.hot_spots(town, until=early, page=out / "hotspots.html", settings=quick)
    scoring.skill(town, out=out, origins=1, settings=quick)
    return out


@pytest.fixture(scope="module")
def axe() -> str:
    if not AXE.exists():
        if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
            pytest.fail("axe-core is not installed: npm install in tests/node")
        pytest.skip("axe-core is not installed: npm install in tests/node")
    return AXE.read_text(encoding="utf-8")


@contextmanager
def opened(browser: Any, path: Path, *, is_phone: bool = False, high: int = 0) -> Iterator[Any]:
    """A page without its content policy, so that a test can run scripts in it.

    A page as high as all that it scrolls shows everything.
    """
    size = {"width": 390, "height": 844} if is_phone else {"width": 1360, "height": 860}
    viewport = size | ({"height": high} if high else {})
    context = new_context(browser, viewport=viewport, bypass_csp=True, offline=True)
    context.add_init_script(LETTERS.read_text(encoding="utf-8"))
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(path.as_uri())
    page.wait_for_timeout(400)
    assert complaints == []
    yield page
    context.close()


@pytest.mark.parametrize("is_phone", [False, True])
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_serious(
    browser: Any, axe: str, pages: Path, name: str, is_phone: bool
) -> None:
    """Its rules include WCAG's contrast of 4.5:1 for every text that is HTML."""
    with opened(browser, pages / name, is_phone=is_phone) as page:
        page.evaluate(axe)
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
        serious = [
            (each["id"], [node["target"] for node in each["nodes"][:3]])
            for each in found
            if each["impact"] in ("serious", "critical")
        ]
        assert serious == []


WITHOUT_LETTERS = """
* { color: transparent !important; transition: none !important; }
svg text, svg tspan { fill: transparent !important; }
"""


def picture(place: Any) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(place.screenshot())).convert("RGB"))


def whole_picture(page: Any) -> np.ndarray:
    """Return the page from top to end, put together from views: a browser's tallest is limited."""
    high = page.viewport_size["height"]
    length = page.evaluate("document.documentElement.scrollHeight")
    views = []
    for top in range(0, length, high):
        page.evaluate("top => scrollTo(0, top)", top)
        views.append(picture(page)[max(0, top + high - max(length, high)) :])
    return np.concatenate(views)


@pytest.mark.parametrize("is_phone", [False, True])
@pytest.mark.parametrize("name", PAGES)
def test_letters_stand_out_from_the_pixels_behind_them(
    browser: Any, pages: Path, name: str, is_phone: bool
) -> None:
    """The page is pictured without its letters; the ground is the middle pixel of their box."""
    with opened(browser, pages / name, is_phone=is_phone, high=3000) as page:
        page.evaluate("letters.unfold()")
        texts = page.evaluate("letters.listed()")
        page.add_style_tag(content=WITHOUT_LETTERS)
        seen = whole_picture(page)
    assert len(texts) > 20
    faint = []
    for text in texts:
        red, green, blue, *clear = map(float, re.findall(r"[0-9.]+", text["ink"]))
        assert clear in ([], [1.0])
        left, top, right, bottom = text["box"]
        ground = np.median(seen[top:bottom, left:right].reshape(-1, 3), axis=0)
        ratio = float(contrast([red, green, blue], ground))
        if ratio < 4.5:
            faint.append((text["words"], text["ink"], ground.tolist(), round(ratio, 2)))
    assert faint == []


@pytest.mark.parametrize("name", [name for name in PAGES if name.startswith("map")])
def test_letters_drawn_on_a_map_stand_out_from_what_is_under_them(
    browser: Any, pages: Path, name: str
) -> None:
    """Names, numbers of stops, signs: each letter is kept with the pixels it is written over."""
    with opened(browser, pages / name) as page:
        page.evaluate("letters.keep()")
        for button in page.get_by_text("Times the fleet").all():
            button.click()
        for zoom in (13, 15, 16.5):
            page.evaluate("zoom => map_week.setZoom(zoom, { animate: false })", zoom)
            page.wait_for_timeout(200)
        written = page.evaluate("letters.written")
    assert len({each["words"] for each in written}) > 10
    for each in written:
        counts = np.array([count for _, count in each["ground"]])
        pixels = np.array([pixel for pixel, _ in each["ground"]])
        is_painted = pixels[:, 3] >= 250
        stands_out = contrast(rgb(each["ink"]), pixels[:, :3]) >= 4.5
        assert counts[is_painted].sum() >= 0.95 * counts.sum(), each["words"]
        assert counts[stands_out & is_painted].sum() >= 0.95 * counts.sum(), each["words"]


def test_marks_of_the_grades_stay_apart_in_grey_on_the_map(browser: Any, pages: Path) -> None:
    """Beside the legend's words: another outline each, and twenty steps of lightness apart."""
    with opened(browser, pages / "map_dirty.html", high=3000) as page:
        marks = [
            picture(page.locator(f"label:has(input[data-layer={grade}]) canvas"))
            for grade in ("clear", "light", "heavy", "unknown")
        ]
    greys = [lightness(mark) for mark in marks]
    shapes = [binary_fill_holes(grey < 60) for grey in greys]
    levels = []
    for grey, shape in zip(greys, shapes, strict=True):
        rows, columns = np.nonzero(shape)
        down, across = (int(np.mean([each.min(), each.max()])) for each in (rows, columns))
        levels.append(float(np.median(grey[down : down + 3, across - 1 : across + 2])))
    for first, second in itertools.combinations(range(4), 2):
        assert overlap(shapes[first], shapes[second]) < 0.88
        assert abs(levels[first] - levels[second]) >= 20
