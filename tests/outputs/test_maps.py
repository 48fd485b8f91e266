from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, MultiPolygon, Point, box

from vaultplan.errors import CRSError, OutputError
from vaultplan.outputs.maps import write_map
from vaultplan.outputs.maps_fleet import hexes, shown_vaults
from vaultplan.outputs.maps_lines import STEP_DEG, Grid, grid_of, merged_by_name, shapes
from vaultplan.outputs.maps_page import sealed
from vaultplan.settings import Settings

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
XSS = '</script><script>window.ran=1</script><img src=x onerror="window.ran=1">'
CRS = "EPSG:32606"


def data_in(path: Path) -> dict[str, Any]:
    text = path.read_text(encoding="utf-8")
    found = re.search(r'id="vaultplan-data">(.*?)</script>', text, re.DOTALL)
    assert found
    return dict(json.loads(found[1]))


def decoded(line: list[int], grid: Grid) -> np.ndarray[Any, Any]:
    steps = np.cumsum(np.array(line).reshape(-1, 2), axis=0)
    return steps * STEP_DEG + (grid.lon, grid.lat)


# ---- places as numbers ----


def test_a_line_survives_to_a_tenth_of_a_metre() -> None:
    line = LineString([(500000, 4206000), (500200, 4206100), (500200, 4207000)])
    frame = gpd.GeoDataFrame(geometry=[line, None], crs=CRS)
    grid = grid_of(frame)
    ((drawn,), nothing) = shapes(frame, grid, 1.0)
    expected = np.array(frame.to_crs(4326).geometry[0].coords)
    assert decoded(drawn, grid) == pytest.approx(expected, abs=STEP_DEG * 0.51)
    assert nothing == []


def test_holes_and_parts_become_rings() -> None:
    holed = box(500000, 4206000, 501000, 4207000).difference(box(500300, 4206300, 500600, 4206600))
    both = MultiPolygon([holed, box(502000, 4206000, 502100, 4206100)])
    frame = gpd.GeoDataFrame(geometry=[both], crs=CRS)
    assert [len(rings) for rings in shapes(frame, grid_of(frame), 1.0)] == [3]


def test_streets_of_one_name_are_joined() -> None:
    pieces = [LineString([(x, 0), (x + 100, 0)]) for x in (500000, 500100, 500300)]
    frame = gpd.GeoDataFrame({"name": ["Ropewalk", "Ropewalk", None]}, geometry=pieces, crs=CRS)
    joined = merged_by_name(frame, "name").set_index("name").geometry
    assert joined["Ropewalk"].length == 200 and joined["Ropewalk"].geom_type == "LineString"
    assert joined[""].length == 100


# ---- a large fleet ----


def test_hexes_count_every_vault_and_keep_the_unknown_apart() -> None:
    vaults = gpd.GeoDataFrame(
        {
            "vault_id": ["a", "b", "c", "d"],
            "volume_gal_mean": [100.0, 300.0, np.nan, 50.0],
            "prob_light": [0.2, 0.4, np.nan, np.nan],
            "prob_heavy": [0.1, 0.3, np.nan, np.nan],
        },
        geometry=[
            Point(500000, 4206000),
            Point(500010, 4206000),
            Point(500020, 4206000),
            Point(540000, 4206000),
        ],
        crs=CRS,
    )
    counted = hexes(vaults, {"b"}, grid_of(vaults))
    by_size = dict(zip(counted["count"], range(2), strict=True))
    town, lone = by_size[3], by_size[1]
    assert counted["known"][town] == 2
    assert counted["dirty"][town] == 50
    assert counted["gal"][town] == 400
    assert counted["week"][town] == 1
    assert counted["dirty"][lone] is None and counted["week"][lone] == 0


def test_the_week_then_rank_then_dirt_decide_who_is_shown(
    week_frames: dict[str, pd.DataFrame],
) -> None:
    vaults = pd.DataFrame(
        {
            "vault_id": ["SM-1001", "SM-1002", "SM-1010", "SM-1020", "SM-1005"],
            "volume_gal_mean": [100.0, 900.0, 1.0, 1.0, np.nan],
            "prob_light": [0.5, 0.5, 0.0, 0.0, np.nan],
            "prob_heavy": [0.5, 0.4, 0.0, 0.0, np.nan],
        }
    )
    shown = vaults["vault_id"][shown_vaults(week_frames, vaults, 3)]
    assert list(shown) == ["SM-1002", "SM-1010", "SM-1020"]
    shown = vaults["vault_id"][shown_vaults(week_frames, vaults, 1)]
    assert list(shown) == ["SM-1010", "SM-1020"]


def test_a_large_fleet_becomes_hexes_with_few_points(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    write_map(week_frames, tmp_path / "map.html", settings=week_settings, detail_limit=15)
    data = data_in(tmp_path / "map.html")
    assert len(data["vaults"]["vault_id"]) == 15
    assert sum(data["hexes"]["count"]) == data["head"]["vault_count"] == 40
    planned = set(week_frames["plan_stops"]["vault_id"].dropna())
    assert planned <= set(data["vaults"]["vault_id"])


# ---- the file ----


def test_the_same_plan_gives_the_same_bytes(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    for name in ("one", "two"):
        write_map(week_frames, tmp_path / f"{name}.html", settings=week_settings)
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()


def test_the_page_is_sealed(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    write_map(week_frames, tmp_path / "map.html", settings=week_settings)
    text = (tmp_path / "map.html").read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy and policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe-inline" not in policy[1].split("style-src")[0]
    markup = re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)
    assert "http:" not in markup and "https:" not in markup
    assert "user-scalable" not in text and "sourceMappingURL" not in text
    assert '<html lang="en">' in text


@pytest.mark.parametrize(
    "fetching",
    [
        '<img src="https://example.org/x.png">',
        "<link href=//example.org/x.css>",
        '<script src="x.js"></script>',
    ],
)
def test_a_page_that_would_fetch_is_refused(fetching: str) -> None:
    assert "'sha256-" in sealed("vaultplan-script-hashes<script>1</script>")
    with pytest.raises(OutputError, match="would fetch"):
        sealed(f"vaultplan-script-hashes<p>{fetching}</p>")


def test_without_places_or_plan_there_is_no_map(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    with pytest.raises(CRSError, match="no map to draw"):
        write_map({"plans": week_frames["plans"]}, tmp_path / "m.html", settings=week_settings)
    with pytest.raises(OutputError, match="one plan, not 0"):
        write_map({"vaults": week_frames["vaults"]}, tmp_path / "m.html", settings=week_settings)


# ---- in a real browser ----


@dataclass
class Opened:
    """A page with what it asked for and complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def assert_quiet(self) -> None:
        assert self.requests == []
        assert self.complaints == []

    def painted(self, layer: str) -> int:
        """Return how many pixels of a layer's canvas are not see-through."""
        return int(
            self.page.evaluate(
                """layer => {
                const drawn = document.querySelector(`[data-layer="${layer}"] canvas`);
                const copy = document.createElement('canvas');
                [copy.width, copy.height] = [drawn.width, drawn.height];
                const context = copy.getContext('2d');
                context.drawImage(drawn, 0, 0);
                const at = context.getImageData(0, 0, copy.width, copy.height).data;
                let count = 0;
                for (let i = 3; i < at.length; i += 4) if (at[i]) count += 1;
                return count;
            }""",
                layer,
            )
        )


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    missing = "" if CHROMIUM.exists() else "Chromium is not installed"
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing = "playwright is not installed"
    if missing:
        if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as started:
        running = started.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def show(browser: Any, tmp_path: Path, week_settings: Settings) -> Iterator[Any]:
    contexts = []

    def opened(frames: dict[str, pd.DataFrame], *, is_phone: bool = False, **how: Any) -> Opened:
        path = tmp_path / "map.html"
        write_map(frames, path, settings=week_settings, **how)
        size = {"width": 390, "height": 780} if is_phone else {"width": 1280, "height": 800}
        context = browser.new_context(viewport=size, has_touch=is_phone, is_mobile=is_phone)
        contexts.append(context)
        shown = Opened(context.new_page())

        def answer(route: Any) -> None:
            if route.request.url.startswith("file:"):
                route.continue_()
                return
            shown.requests.append(route.request.url)
            route.abort()

        context.route(lambda url: not url.startswith("data:"), answer)
        shown.page.on(
            "console",
            lambda message: shown.complaints.append(f"{message.type}: {message.text}"),
        )
        shown.page.on("pageerror", lambda error: shown.complaints.append(str(error)))
        shown.page.goto(path.as_uri())
        shown.page.wait_for_selector("html[data-ready]", timeout=30_000)
        return shown

    yield opened
    for context in contexts:
        context.close()


@pytest.mark.browser
def test_the_week_is_drawn_without_network_or_complaint(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames)
    assert opened.painted("ground") > 100_000
    assert opened.painted("vaults") > 500
    assert opened.painted("week") > 2_000
    legend = opened.page.inner_text("#legend")
    for words in ("Storm drain", "Vacuum truck", "heavy (8)", "Held", "Sensitive areas"):
        assert words in legend
    cautions = opened.page.inner_text("#cautions")
    assert "not an entry permit" in cautions and "supersedes the plan" in cautions
    assert opened.page.inner_text("#week") == "Week of Mon 2 Mar 2026"
    opened.assert_quiet()


@pytest.mark.browser
def test_each_table_leaves_its_mark(show: Any, week_frames: dict[str, pd.DataFrame]) -> None:
    def pictures(frames: dict[str, pd.DataFrame]) -> dict[str, str]:
        opened = show(frames)
        opened.page.evaluate("() => map_week.setView([38.0045, -146.991], 15, {animate: false})")
        drawn = opened.page.evaluate(
            """() => Object.fromEntries([...document.querySelectorAll('[data-layer] canvas')]
            .map(canvas => [canvas.parentElement.dataset.layer, canvas.toDataURL()]))"""
        )
        opened.assert_quiet()
        return dict(drawn)

    whole = pictures(week_frames)
    assert pictures(week_frames) == whole
    for missing, layer in (
        ("roads", "ground"),
        ("receiving_waters", "ground"),
        ("routes", "week"),
        ("plan_unserved", "week"),
    ):
        without = {name: frame for name, frame in week_frames.items() if name != missing}
        assert pictures(without)[layer] != whole[layer], missing


@pytest.mark.browser
def test_search_opens_the_story_of_a_vault(show: Any, week_frames: dict[str, pd.DataFrame]) -> None:
    opened = show(week_frames)
    before = opened.painted("week")
    opened.page.fill("#find-text", "sm-1010")
    assert opened.page.inner_text("#found").split() == ["SM-1010", "140", "Ropewalk"]
    opened.page.press("#find-text", "Enter")
    story = opened.page.inner_text("#story")
    for words in (
        "SM-1010",
        "140 Ropewalk",
        "Mon 2 Mar, 08:10-09:23",
        "CREW-A stop 1",
        "1,210 low, 2,010 middle, 2,820 high gal",
        "clear 80 %",
        "Filter sock, then storm drain. Gate: Go.",
        "the drain ends in a protected water",
        "Outfall OF-4",
        "Sallow Lagoon",
        "supersedes the plan",
    ):
        assert words in story
    assert opened.painted("week") != before
    opened.page.fill("#find-text", "nowhere")
    assert "No vault has this id" in opened.page.inner_text("#found")
    opened.assert_quiet()


@pytest.mark.browser
def test_a_click_on_the_map_opens_the_vault_there(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames)
    place = week_frames["vaults"].set_index("vault_id").geometry.to_crs(4326)["SM-1020"]
    spot = opened.page.evaluate(
        """([lat, lon]) => {
        const at = map_week.latLngToContainerPoint([lat, lon]);
        const box = map_week.getContainer().getBoundingClientRect();
        return [at.x + box.left, at.y + box.top];
    }""",
        [place.y, place.x],
    )
    opened.page.mouse.click(*spot)
    story = opened.page.inner_text("#story")
    assert "SM-1020" in story and "Held: the drain's end is not known" in story
    assert "nobody knows where the water goes" in story
    opened.page.keyboard.press("Escape")
    assert not opened.page.is_visible("#story")
    opened.assert_quiet()


@pytest.mark.browser
def test_days_and_layers_filter_what_is_drawn(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames)
    whole = opened.painted("week")
    opened.page.click("#days button:has-text('Wed 4 Mar')")
    one_day = opened.painted("week")
    assert 0 < one_day < whole
    visible = [
        trip.inner_text() for trip in opened.page.query_selector_all(".trip:visible summary")
    ]
    assert len(visible) == 2 and all(text.startswith("Wed 4 Mar") for text in visible)
    opened.page.uncheck("#legend input[data-layer='stops']")
    opened.page.uncheck("#legend input[data-layer='routes']")
    assert opened.painted("week") < one_day
    vaults = opened.painted("vaults")
    opened.page.uncheck("#legend input[data-layer='heavy']")
    assert opened.painted("vaults") < vaults
    opened.assert_quiet()


@pytest.mark.browser
def test_stops_are_listed_for_the_keyboard(show: Any, week_frames: dict[str, pd.DataFrame]) -> None:
    opened = show(week_frames)
    opened.page.focus(".trip summary")
    opened.page.keyboard.press("Enter")
    opened.page.keyboard.press("Tab")
    opened.page.keyboard.press("Enter")
    assert "SM-1010" in opened.page.inner_text("#story h2")
    opened.assert_quiet()


@pytest.mark.browser
def test_names_cannot_run_or_break_anything(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    for table, column in (
        ("vaults", "address"),
        ("roads", "name"),
        ("receiving_waters", "name"),
        ("sensitive_areas", "name"),
        ("outfalls", "name"),
        ("plan_jobs", "task"),
        ("plan_jobs", "reason"),
        ("plan_unserved", "reason"),
        ("decisions", "reason"),
        ("forecasts", "reason"),
        ("depots", "name"),
        ("plans", "rules_version"),
    ):
        week_frames[table][column] = XSS + "\u2028 \u202eabc \U0001f4a7 " + "long " * 40
    vaults = week_frames["vaults"]
    vaults["vault_id"] = vaults["vault_id"].replace("SM-1001", XSS)
    opened = show(week_frames)
    opened.page.fill("#find-text", "</script>")
    opened.page.press("#find-text", "Enter")
    assert opened.page.inner_text("#story h2").startswith("</script><script>")
    opened.page.fill("#find-text", "SM-1010")
    opened.page.press("#find-text", "Enter")
    assert "<img src=x" in opened.page.inner_text("#story")
    opened.page.click(".trip summary")
    assert opened.page.evaluate("() => window.ran") is None
    assert opened.page.query_selector("img[src='x']") is None
    opened.assert_quiet()


@pytest.mark.browser
def test_a_phone_shows_map_first_and_nothing_sticks_out(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, is_phone=True)
    high = opened.page.evaluate("() => map_week.getSize().y")
    assert high > 400
    assert not opened.page.is_visible("#legend")
    opened.page.click("#unfold")
    assert opened.page.is_visible("#legend")
    assert opened.page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    opened.assert_quiet()


@pytest.mark.browser
def test_paper_gets_the_same_place_in_its_own_size(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames)
    view = "() => [map_week.getCenter().lat, map_week.getZoom(), map_week.getSize().x]"
    before = opened.page.evaluate(view)
    opened.page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    lat, _zoom, width = opened.page.evaluate(view)
    assert lat == pytest.approx(before[0], abs=1e-3)
    assert width == round(7.2 * 96) - 1 or width == round(7.2 * 96)
    for layer in ("ground", "vaults", "week"):
        assert opened.painted(layer) > 2_000
    opened.page.evaluate("() => dispatchEvent(new Event('afterprint'))")
    assert opened.page.evaluate(view) == pytest.approx(before, abs=1e-4)
    assert opened.requests == []


@pytest.mark.browser
def test_text_is_large_and_dark_enough(show: Any, week_frames: dict[str, pd.DataFrame]) -> None:
    opened = show(week_frames)
    opened.page.fill("#find-text", "SM-1010")
    opened.page.press("#find-text", "Enter")
    told = opened.page.evaluate(
        """() => {
        const linear = c => c <= .04045 ? c / 12.92 : ((c + .055) / 1.055) ** 2.4;
        const weights = [.2126, .7152, .0722];
        const lit = rgb => rgb.reduce((sum, c, i) => sum + linear(c / 255) * weights[i], 0);
        const numbers = text => text.match(/[\\d.]+/g).map(Number);
        const found = [];
        for (const node of document.querySelectorAll('body *')) {
            const own = [...node.childNodes].some(c => c.nodeType === 3 && c.textContent.trim());
            if (!own || !node.getClientRects().length || node.closest('script,style')) continue;
            const style = getComputedStyle(node);
            let behind = [251, 250, 246];
            for (let up = node; up; up = up.parentElement) {
                const back = numbers(getComputedStyle(up).backgroundColor);
                if (back.length === 3 || back[3] > .8) { behind = back.slice(0, 3); break; }
            }
            const [dark, bright] = [lit(numbers(style.color).slice(0, 3)), lit(behind)]
                .sort((x, y) => x - y);
            const contrast = (bright + .05) / (dark + .05);
            found.push([node.textContent.slice(0, 30), parseFloat(style.fontSize), contrast]);
        }
        return found;
    }"""
    )
    assert len(told) > 60
    assert [row for row in told if row[1] < 14] == []
    assert [row for row in told if row[2] < 4.5] == []


@pytest.mark.browser
def test_hexes_of_a_large_fleet_answer_to_a_click(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, detail_limit=15)
    opened.page.evaluate("() => map_week.setView([38.0045, -146.991], 11, {animate: false})")
    share = opened.painted("vaults")
    assert share > 500
    assert "All 40 vaults, counted in hexes" in opened.page.inner_text("#legend")
    size = opened.page.evaluate("() => map_week.getSize()")
    left = opened.page.evaluate("() => map_week.getContainer().getBoundingClientRect().left")
    opened.page.click("text=Expected gallons")
    for name in ("stops", "left", "outfalls", "yards"):
        opened.page.uncheck(f"#legend input[data-layer='{name}']")
    opened.page.mouse.click(left + size["x"] / 2, size["y"] / 2)
    story = opened.page.inner_text("#story")
    assert re.search(r"\d+ vaults\n", story) and "a sum of means" in story
    opened.assert_quiet()


@pytest.mark.browser
def test_a_plan_with_vaults_alone_still_draws(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show({name: week_frames[name] for name in ("plans", "vaults")})
    assert opened.painted("vaults") > 500
    assert "unknown (40)" in opened.page.inner_text("#legend")
    opened.page.fill("#find-text", "SM-1010")
    opened.page.press("#find-text", "Enter")
    assert "No forecast." in opened.page.inner_text("#story")
    opened.assert_quiet()
