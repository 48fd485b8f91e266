"""The page of the watch-list: what it says, that it runs nothing of a user's, and how it looks."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import shapely

from vaultplan import styles
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.drawn.scene import scene_of
from vaultplan.outputs.watch.map import NARROW, WIDE, water_map
from vaultplan.outputs.watch.page import write_watch_page
from vaultplan.outputs.watch.words import outfall_checks

from .conftest import Frames, facts, watched

XSS = '</script><script>window.ran=1</script><img src=x onerror="window.ran=1">'
Written = Callable[..., Path]


@pytest.fixture
def written(week_frames: Frames, tmp_path: Path) -> Written:
    def write(bad: str = "") -> Path:
        path = tmp_path / "watch.html"
        write_watch_page(path, facts(bad), watched(week_frames, bad))
        return path

    return write


class _Texts(HTMLParser):
    """Collects the text of a page, and every tag with its attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def read(path: Path) -> tuple[str, _Texts]:
    parsed = _Texts()
    parsed.feed(path.read_text(encoding="utf-8"))
    return " ".join(" ".join(parsed.texts).split()), parsed


def test_the_page_says_what_is_planned_due_and_to_be_checked(written: Written) -> None:
    text, _ = read(written())
    for said in (
        *CAUTIONS,
        *(line for lines in outfall_checks().values() for line in lines),
        "Common practice, no source; the permit goes before it.",
        "Invented data",
        "OVERDUE by 1 day",
        "300 (100 \u2013 1,240)",
        "may go above the cap, chance 33 %",
        "The rules changed.",
        "No planned discharge of the week reaches it.",
        "1 held or referred orders",
        "ENDS in 2 days",
        "A sock at least.",
        "Method lowered from x to y",
        "into Ember Creek",
        "the rules take this place as high",
        "Duty desk",
    ):
        assert said in text, said


def test_texts_of_the_database_are_text_and_nothing_else(written: Written) -> None:
    page = written(XSS)
    text, parsed = read(page)
    assert "window.ran=1" in text
    names = [tag for tag, _ in parsed.tags]
    assert names.count("script") == 1
    assert not any(name.startswith("on") for _, attrs in parsed.tags for name in attrs)
    sources = [attrs["src"] or "" for tag, attrs in parsed.tags if tag == "img"]
    assert sources and all(source.startswith("data:image/svg+xml;base64,") for source in sources)
    assert not re.search(r"""(src|href)=["']?(https?:)?//""", page.read_text(encoding="utf-8"))


def test_an_empty_week_makes_a_page_too(week_frames: Frames, tmp_path: Path) -> None:
    frames = watched(week_frames)
    for name in ("discharges", "totals", "outfall_days", "notices", "kept_back", "overrides"):
        frames[name] = frames[name].iloc[:0]
    frames["waters"] = frames["waters"].assign(discharges=0)
    path = tmp_path / "watch.html"
    write_watch_page(path, facts(), frames)
    text, _ = read(path)
    assert "No planned discharge asks for one." in text
    assert text.count("No planned discharge of the week reaches it.") == 3


@pytest.mark.parametrize("size", [WIDE, NARROW])
def test_a_map_shows_outfalls_paths_and_grades(week_frames: Frames, size: Any) -> None:
    frames = watched(week_frames)
    lagoon = frames["receiving_waters"].set_index("water_id").loc["W-LAG", "geometry"]
    places = {
        name: dict(zip(frames[name][f"{name[:-1]}_id"], frames[name].geometry, strict=True))
        for name in ("outfalls", "vaults")
    }
    rows = frames["traces"].iloc[:0].copy()
    rows = type(rows)(frames["discharges"], geometry="geometry", crs=rows.crs)
    scene = scene_of(frames)
    drawn = water_map(
        scene, lagoon, "Sallow & Co", rows, places["outfalls"], places["vaults"], size
    )
    assert "OF-5" in drawn and "<" not in re.sub(r"<[^<>]*>", "", drawn)
    likeliest = {styles.GRADE_COLOURS[grade] for grade in ("clear", "light")}
    assert any(colour in drawn for colour in likeliest)
    letters = {float(size) for size in re.findall(r'<text[^>]*font-size="([\d.]+)"', drawn)}
    shown = 712 if size == WIDE else 300  # narrowest picture on a page of each kind, in pixels
    assert min(letters) * shown / size[0] >= 12
    nothing = water_map(scene, None, "x", rows.iloc[:0], {}, {}, size)
    assert nothing == ""
    alone = water_map(scene, lagoon, "Sallow & Co", rows.iloc[:0], {}, {}, size)
    assert "Sallow &amp; Co" in alone
    assert not shapely.is_empty(lagoon)


@pytest.mark.browser
def test_the_page_in_a_browser(browser: Any, written: Written) -> None:
    path = written(XSS)
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", state="attached")
    assert page.evaluate("() => window.ran") is None
    assert page.is_visible("img.broad") and not page.is_visible("img.slim")
    rows = page.locator("tr[data-on]")
    every = rows.count()
    day = page.locator("#day option").nth(1).get_attribute("value")
    page.select_option("#day", day)
    shown = page.locator("tr[data-on]:visible").count()
    assert 0 < shown < every
    assert page.locator(f'tr[data-on="{day}"]').count() == shown
    assert page.inner_text("#shown") == f"{shown} of {every} lines"
    page.set_viewport_size({"width": 320, "height": 800})
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 320
    assert page.is_visible("img.slim") and not page.is_visible("img.broad")
    small = page.evaluate(
        """() => [...document.querySelectorAll('body *')]
        .filter(n => [...n.childNodes].some(c => c.nodeType === 3 && c.textContent.trim()))
        .filter(n => n.getClientRects().length && parseFloat(getComputedStyle(n).fontSize) < 14)
        .map(n => n.textContent.slice(0, 40))"""
    )
    assert small == []
    page.emulate_media(media="print")
    assert page.is_visible("img.broad") and not page.is_visible("#day")
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert complaints == []
    page.close()
