"""The map page in a real browser. One page is loaded once and put back after each test."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pandas as pd
import pytest
from shapely.geometry import box

from vaultplan.settings import Settings

from .conftest import XSS, Opened, open_page

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def _week_page(
    browser: Any,
    tmp_path_factory: pytest.TempPathFactory,
    _week: dict[str, pd.DataFrame],
    week_settings: Settings,
) -> Iterator[Opened]:
    frames = {name: frame.copy() for name, frame in _week.items()}
    path = tmp_path_factory.mktemp("map") / "map.html"
    opened = open_page(browser, path, frames, week_settings)
    opened.page.evaluate(
        "() => { window.firstView = {center: map_week.getCenter(), zoom: map_week.getZoom()}; }"
    )
    yield opened
    opened.page.context.close()


@pytest.fixture
def week_page(_week_page: Opened) -> Iterator[Opened]:
    """The week's map as it looks when it is opened; without a request or complaint so far."""
    yield _week_page
    _week_page.put_back()
    _week_page.assert_quiet()


def test_the_week_is_drawn_without_network_or_complaint(week_page: Opened) -> None:
    assert week_page.painted("ground") > 100_000
    assert week_page.painted("vaults") > 500
    assert week_page.painted("week") > 2_000
    legend = week_page.page.inner_text("#legend")
    for words in ("Storm drain", "Vacuum truck", "heavy (8)", "Held", "Sensitive areas"):
        assert words in legend
    cautions = week_page.page.inner_text("#cautions")
    assert "not an entry permit" in cautions and "supersedes the plan" in cautions
    assert week_page.page.inner_text("#week") == "Week of Mon 2 Mar 2026"
    known = week_page.page.inner_text("#known")
    assert known == "Knows results until Fri 27 Feb 2026. Made Fri 27 Feb 2026, 16:05."


def test_each_table_leaves_its_mark(
    show: Any, week_page: Opened, week_frames: dict[str, pd.DataFrame]
) -> None:
    """Tables are left out in pairs that reach different layers, as test_maps.py makes sure."""
    whole = week_page.pictures()
    again = show(week_frames)
    assert again.pictures() == whole
    again.assert_quiet()
    for pair in (
        {"roads": "ground", "routes": "week"},
        {"receiving_waters": "ground", "plan_unserved": "week"},
    ):
        opened = show({name: frame for name, frame in week_frames.items() if name not in pair})
        without = opened.pictures()
        for missing, layer in pair.items():
            assert without[layer] != whole[layer], missing
        opened.assert_quiet()


def test_a_page_put_back_looks_as_it_did(week_page: Opened) -> None:
    whole = week_page.pictures()
    week_page.page.click("#days button:has-text('Wed 4 Mar')")
    week_page.page.uncheck("#legend input[data-layer='heavy']")
    week_page.page.click(".trip:visible summary")
    week_page.page.fill("#find-text", "SM-1010")
    week_page.page.press("#find-text", "Enter")
    changed = week_page.pictures()
    assert changed["week"] != whole["week"] and changed["vaults"] != whole["vaults"]
    week_page.put_back()
    assert week_page.pictures() == whole


def test_the_open_sea_has_no_outline(show: Any, week_frames: dict[str, pd.DataFrame]) -> None:
    waters = week_frames["receiving_waters"].iloc[:2].copy()
    waters["kind"] = ["bay", "lake"]
    waters["geometry"] = [
        box(500_000, 4_205_000, 501_000, 4_206_000),
        box(501_400, 4_205_300, 501_900, 4_205_800),
    ]
    opened = show(
        {**{name: week_frames[name] for name in ("plans", "vaults")}, "receiving_waters": waters}
    )
    lines = opened.page.evaluate(
        """() => {
        map_week.setView([37.9955, -146.99], 14, {animate: false});
        const drawn = document.querySelector('[data-layer="ground"] canvas');
        const { width, height } = drawn;
        const at = drawn.getContext('2d').getImageData(0, 0, width, height).data;
        let filled = 0;
        const others = [];
        for (let i = 0; i < width * height; i += 1) {
            const [r, g, b, seen] = at.subarray(4 * i, 4 * i + 4);
            if (seen < 128) continue;
            filled += 1;
            const off = Math.abs(r - 0xd3) + Math.abs(g - 0xe4) + Math.abs(b - 0xec);
            if (off > 12) others.push(i % width);
        }
        return [filled, others.length, Math.min(...others), Math.max(...others), width];
    }"""
    )
    filled, count, west, east, _width = lines
    assert filled > 20_000
    assert 50 < count < 2_000
    assert east - west < 110, "only the lake has an edge"


def test_names_cover_no_mark_and_no_other_name(week_page: Opened) -> None:
    seen = set()
    for zoom in (13, 14, 15, 16, 17):
        told = week_page.page.evaluate(
            """zoom => {
            map_week.setView([38.0025, -146.991], zoom, {animate: false});
            const { data, latLng, state } = window.vaultplan;
            const { names, hits } = state;
            const dots = data.vaults.x.map((x, i) => (
                map_week.latLngToLayerPoint(latLng(x, data.vaults.y[i]))));
            const within = (box, x, y) => (
                Math.abs(box.x - x) < box.rx && Math.abs(box.y - y) < box.ry);
            const apart = (a, b) => (
                Math.abs(a.x - b.x) >= a.rx + b.rx || Math.abs(a.y - b.y) >= a.ry + b.ry);
            const marks = names.flatMap(
                name => [...hits, ...dots].filter(mark => within(name, mark.x, mark.y)));
            const pairs = names.flatMap((a, i) => names.slice(i + 1).filter(b => !apart(a, b)));
            const corner = map_week.containerPointToLayerPoint([0, 0]);
            const size = map_week.getSize();
            const outside = names.filter(({ x, y, rx, ry }) => (
                x - rx < corner.x || x + rx > corner.x + size.x
                || y - ry < corner.y || y + ry > corner.y + size.y));
            const frame = map_week.getContainer().getBoundingClientRect();
            const controls = [...document.querySelectorAll('.leaflet-control')]
                .map(node => node.getBoundingClientRect());
            const covered = names.filter(name => controls.some(box => within(
                name, (box.left + box.right) / 2 - frame.left + corner.x,
                (box.top + box.bottom) / 2 - frame.top + corner.y)));
            return [names.map(({ name }) => name), hits.length, marks.length, pairs.length,
                outside.length, covered.length];
        }""",
            zoom,
        )
        named, hits, *wrong = told
        assert hits > 5
        assert wrong == [0, 0, 0, 0], f"{named} at zoom {zoom}"
        seen.update(named)
    assert {"Longreach Bay", "Sallow Lagoon (protected)", "Ember Creek"} <= seen


def test_names_make_room_for_the_marks_of_the_day(week_page: Opened) -> None:
    where = """() => {
        map_week.setView([38.0045, -146.991], 15, {animate: false});
        return window.vaultplan.state.names.map(({ name, x, y }) => [name, [x, y]]);
    }"""
    crowded = dict(week_page.page.evaluate(where))
    for layer in ("stops", "left", "outfalls", "yards", "clear", "light", "heavy", "unknown"):
        week_page.page.uncheck(f"#legend input[data-layer='{layer}']")
    free = dict(week_page.page.evaluate(where))
    assert set(crowded) <= set(free)
    assert any(crowded[name] != free[name] for name in crowded)


def test_search_opens_the_story_of_a_vault(week_page: Opened) -> None:
    before = week_page.painted("week")
    week_page.page.fill("#find-text", "sm-1010")
    assert week_page.page.inner_text("#found").split() == ["SM-1010", "140", "Ropewalk"]
    week_page.page.press("#find-text", "Enter")
    story = week_page.page.inner_text("#story")
    for words in (
        "SM-1010",
        "140 Ropewalk",
        "Mon 2 Mar, 08:10-09:23",
        "CREW-A stop 1",
        "1,210 low, 2,010 likely, 2,820 high gal",
        "clear 80 %",
        "Filter sock, then storm drain. Gate: Go.",
        "the drain ends in a protected water",
        "Outfall OF-4",
        "Sallow Lagoon",
        "supersedes the plan",
    ):
        assert words in story
    assert week_page.painted("week") != before
    week_page.page.fill("#find-text", "nowhere")
    assert "No vault has this id" in week_page.page.inner_text("#found")


def test_a_story_tells_each_rule_once_and_in_a_list(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    first, second = "Light water is expected: filter sock.", "Suspect ground is near: ask first."
    decisions, unserved = week_frames["decisions"], week_frames["plan_unserved"]
    jobs = week_frames["plan_jobs"]
    decisions.loc[decisions["vault_id"] == "SM-1017", "reason"] = f"{first} {second}"
    is_ours = unserved["order_id"] == "WO-511"
    unserved.loc[is_ours, "reason"] = f"{first} {second} (Mon 02 Mar to Fri 06 Mar)"
    jobs.loc[jobs["order_id"] == "WO-511", "reason"] = f"much water; {first} {second}; not on Sat"
    opened = show(week_frames)
    opened.page.fill("#find-text", "SM-1017")
    opened.page.press("#find-text", "Enter")
    story = opened.page.inner_text("#story")
    assert story.count(first) == story.count(second) == 1
    rules = opened.page.query_selector_all("#story ul:not(.looks) li")
    listed = [item.inner_text() for item in rules]
    assert listed == [first, second]
    assert "Referred to the specialist by the rules below (Mon 02 Mar to Fri 06 Mar)" in story
    assert ": much water; not on Sat" in story
    opened.assert_quiet()


def test_a_click_on_the_map_opens_the_vault_there(
    week_page: Opened, week_frames: dict[str, pd.DataFrame]
) -> None:
    place = week_frames["vaults"].set_index("vault_id").geometry.to_crs(4326)["SM-1020"]
    spot = week_page.page.evaluate(
        """([lat, lon]) => {
        const at = map_week.latLngToContainerPoint([lat, lon]);
        const box = map_week.getContainer().getBoundingClientRect();
        return [at.x + box.left, at.y + box.top];
    }""",
        [place.y, place.x],
    )
    week_page.page.mouse.click(*spot)
    story = week_page.page.inner_text("#story")
    assert "SM-1020" in story and "Held: the drain's end is not known" in story
    assert "nobody knows where the water goes" in story
    week_page.page.keyboard.press("Escape")
    assert not week_page.page.is_visible("#story")


def test_days_and_layers_filter_what_is_drawn(week_page: Opened) -> None:
    whole = week_page.painted("week")
    week_page.page.click("#days button:has-text('Wed 4 Mar')")
    one_day = week_page.painted("week")
    assert 0 < one_day < whole
    visible = [
        trip.inner_text() for trip in week_page.page.query_selector_all(".trip:visible summary")
    ]
    assert len(visible) == 2 and all(text.startswith("Wed 4 Mar") for text in visible)
    week_page.page.uncheck("#legend input[data-layer='stops']")
    week_page.page.uncheck("#legend input[data-layer='routes']")
    assert week_page.painted("week") < one_day
    vaults = week_page.painted("vaults")
    week_page.page.uncheck("#legend input[data-layer='heavy']")
    assert week_page.painted("vaults") < vaults


def test_stops_are_listed_for_the_keyboard(week_page: Opened) -> None:
    week_page.page.focus(".trip summary")
    week_page.page.keyboard.press("Enter")
    week_page.page.keyboard.press("Tab")
    week_page.page.keyboard.press("Enter")
    assert "SM-1010" in week_page.page.inner_text("#story h2")


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


def test_text_is_large_and_dark_enough(week_page: Opened) -> None:
    week_page.page.fill("#find-text", "SM-1010")
    week_page.page.press("#find-text", "Enter")
    told = week_page.page.evaluate(
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


def test_hexes_of_a_large_fleet_answer_to_a_click(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, detail_limit=15)
    opened.page.evaluate("() => map_week.setView([38.0045, -146.991], 11, {animate: false})")
    share = opened.painted("vaults")
    assert share > 500
    over_hexes = opened.page.evaluate(
        """() => {
        const { data, latLng, state } = window.vaultplan;
        const middles = data.hexes.ring.map(ring => {
            let [x, y, east, north] = [0, 0, 0, 0];
            for (let i = 0; i < 12; i += 2) {
                [x, y] = [x + ring[i], y + ring[i + 1]];
                [east, north] = [east + x / 6, north + y / 6];
            }
            return map_week.latLngToLayerPoint(latLng(east, north));
        });
        return [middles.length, state.names.filter(name => middles.some(at => (
            Math.abs(at.x - name.x) < name.rx && Math.abs(at.y - name.y) < name.ry))).length];
    }"""
    )
    assert over_hexes[0] > 0 and over_hexes[1] == 0
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
