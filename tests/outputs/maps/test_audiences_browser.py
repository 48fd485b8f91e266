"""The specialist's and the analyst's map in a browser: lists, filters, paths, keyboard, phone."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from .conftest import XSS, Opened

pytestmark = pytest.mark.browser


def dotted(opened: Opened) -> int:
    """Return how many pixels of the week's layer have the colour of a water path."""
    return int(
        opened.page.evaluate(
            """() => {
            const drawn = document.querySelector('[data-layer="week"] canvas');
            const copy = document.createElement('canvas');
            [copy.width, copy.height] = [drawn.width, drawn.height];
            const context = copy.getContext('2d', { willReadFrequently: true });
            context.drawImage(drawn, 0, 0);
            const at = context.getImageData(0, 0, copy.width, copy.height).data;
            const ink = [11, 90, 138, 255];
            let count = 0;
            for (let i = 0; i < at.length; i += 4) {
              if (ink.every((value, k) => at[i + k] === value)) count += 1;
            }
            return count;
        }"""
        )
    )


TITLES = {
    "week": "Week of Mon 2 Mar 2026",
    "watch": "Watch-list: Week of Mon 2 Mar 2026",
    "dirty": "Where dirty water was seen",
}


@pytest.mark.parametrize("is_phone", [False, True], ids=["desk", "phone"])
@pytest.mark.parametrize("audience", list(TITLES))
def test_a_map_opens_finds_draws_paths_and_takes_layers_off_and_on(
    show: Any, week_frames: dict[str, pd.DataFrame], audience: str, is_phone: bool
) -> None:
    opened = show(week_frames, audience=audience, is_phone=is_phone)
    page = opened.page
    assert page.inner_text("#week") == TITLES[audience]
    assert opened.painted("ground") > 50_000
    assert "not an entry permit" in page.text_content("#cautions")
    if is_phone:
        page.click("#unfold")
    assert page.is_visible("#legend")

    page.fill("#find-text", "sm-1010")
    page.press("#find-text", "Enter")
    story = page.inner_text("#story")
    assert "SM-1010" in story and "Seen before" in story and "Outfall OF-4" in story
    drawn = dotted(opened)
    assert drawn > 200, "the way to the sea"
    below = page.evaluate(
        """() => {
        const shapes = vaultplan.inks.below.get('OF-4');
        const last = shapes[shapes.length - 1].at;
        const bay = vaultplan.inks.places.find((place) => place.row.water_id === 'W-BAY');
        return vaultplan.isInside(bay.rings, last[last.length - 2], last[last.length - 1]);
    }"""
    )
    assert below, "the way ends in the bay"
    page.click("#story .back")
    assert dotted(opened) < drawn

    boxes = page.evaluate(
        "[...document.querySelectorAll('#legend input')].map((box) => box.dataset.layer)"
    )
    assert len(boxes) > 8 and len(set(boxes)) == len(boxes)
    pictures = opened.pictures()
    for _ in range(2):
        changed = opened.pictures() != pictures
        for layer in boxes:
            page.evaluate(
                "name => document.querySelector(`#legend input[data-layer=${name}]`).click()", layer
            )
    assert changed, "with every layer turned over"
    assert opened.pictures() == pictures
    width = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert width <= 0
    opened.assert_quiet()


@pytest.mark.parametrize("audience", list(TITLES))
def test_a_click_on_a_vault_opens_it(
    show: Any, week_frames: dict[str, pd.DataFrame], audience: str
) -> None:
    opened = show(week_frames, audience=audience)
    place = week_frames["vaults"].set_index("vault_id").geometry.to_crs(4326)["SM-1020"]
    tap(opened, place.y, place.x, 17)
    assert "SM-1020" in opened.page.inner_text("#story h2")
    opened.assert_quiet()


def tap(opened: Opened, lat: float, lon: float, zoom: float) -> None:
    """Click on a place of the map, brought to its middle first."""
    spot = opened.page.evaluate(
        """([lat, lon, zoom]) => {
        map_week.setView([lat, lon], zoom, {animate: false});
        const box = map_week.getContainer().getBoundingClientRect();
        return [box.left + box.width / 2, box.top + box.height / 2];
    }""",
        [lat, lon, zoom],
    )
    opened.page.mouse.click(*spot)


def lonlat(x: float, y: float) -> tuple[float, float]:
    """Return degrees of a place given in metres from the town's corner."""
    at = gpd.GeoSeries([Point(500_000.0 + x, 4_206_000.0 + y)], crs="EPSG:32606").to_crs(4326)
    return float(at.y.iloc[0]), float(at.x.iloc[0])


def test_a_click_in_a_water_or_on_suspect_ground_shows_what_is_behind_it(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    """The lagoon away from its eelgrass, the creek beside its middle, the gasworks' circle."""
    opened = show(week_frames, audience="watch")
    tap(opened, *lonlat(1600, -80), 17)
    assert opened.page.inner_text("#story h2") == "Sallow Lagoon"
    tap(opened, *lonlat(1752, 700), 17)
    assert opened.page.inner_text("#story h2") == "Ember Creek"
    tap(opened, *lonlat(560, 470), 17)
    assert opened.page.inner_text("#story h2") == "Old gasworks"
    within = week_frames["plan_stops"].query("kind == 'pump_out'").geometry
    inside = int((within.distance(Point(500_505, 4_206_395)) < 400 * 0.3048).sum())
    assert f"{inside} planned discharge" in opened.page.inner_text("#story")
    assert len(opened.page.query_selector_all("#story button.stop")) == inside
    opened.assert_quiet()


def test_a_day_counts_only_its_own_discharges(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="watch")
    pumped = week_frames["plan_stops"].query("kind == 'pump_out'")
    bay = "button.water:has-text('Longreach Bay')"
    assert f"{len(pumped)} discharges" in opened.page.inner_text(bay)
    opened.page.click(bay)
    opened.page.click("#days button:has-text('Mon 2 Mar')")
    monday = int(pumped["on"].eq(pd.Timestamp("2026-03-02")).sum())
    assert 1 < monday < len(pumped)
    assert f"{monday} discharges" in opened.page.inner_text(bay)
    assert f"{monday} planned discharges on Mon 2 Mar" in opened.page.inner_text("#story")
    focused = opened.page.evaluate("document.activeElement.textContent")
    assert focused == "Mon 2 Mar", "the keyboard stays where it was"
    opened.assert_quiet()


def test_stricter_waters_have_larger_marks_on_top(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="watch")
    sizes = opened.page.evaluate(
        """() => {
        const { view, data } = vaultplan;
        return view.ordered(data.stops).map((stop) => [stop.sensitivity, view.sizeOf(stop)]);
    }"""
    )
    by_word = dict(sizes)
    assert by_word["protected"] > by_word["ordinary"]
    assert [size for _, size in sizes] == sorted(size for _, size in sizes)


def test_methods_are_taken_off_one_by_one(show: Any, week_frames: dict[str, pd.DataFrame]) -> None:
    opened = show(week_frames)
    count = "vaultplan.data.stops.filter(vaultplan.isDrawn).length"
    whole = opened.page.evaluate(count)
    opened.page.uncheck("#legend input[data-layer='filter_sock']")
    socks = opened.page.evaluate(
        "vaultplan.data.stops.filter((s) => s.kind === 'pump_out' && s.method === 'filter_sock')"
        ".length"
    )
    assert socks > 0
    assert opened.page.evaluate(count) == whole - socks
    opened.page.uncheck("#legend input[data-layer='work']")
    assert opened.page.evaluate(count) < whole - socks


def test_what_nobody_knows_has_a_layer_of_its_own(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    visits = week_frames["visits"]
    week_frames["visits"] = visits[visits["vault_id"] < "SM-1010"].reset_index(drop=True)
    opened = show(week_frames, audience="dirty")
    fills = opened.page.evaluate(
        "vaultplan.view.hexes.ring.map((_, i) => vaultplan.view.hexFill(i))"
    )
    assert None in fills and len(set(fills)) > 1
    # From farther out hexes stand alone, points come closer in.
    opened.page.evaluate("map_week.setZoom(14, {animate: false})")
    whole = opened.painted("vaults")
    opened.page.uncheck("#legend input[data-layer='unknown_hexes']")
    known = opened.painted("vaults")
    assert 0 < known < whole
    opened.page.uncheck("#legend input[data-layer='hexes']")
    assert opened.painted("vaults") == 0
    assert "Fewer than 3 graded looks: not known" in opened.page.inner_text("#legend")
    assert "not a test for clusters" in opened.page.inner_text("#trips")
    opened.assert_quiet()


def test_both_ends_of_the_two_sided_colours_carry_a_sign(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="dirty")
    opened.page.click("text=Times the fleet's share")
    signs = [each.inner_text() for each in opened.page.query_selector_all(".ramp span")]
    assert signs == ["\u2212"] * 3 + [""] + ["+"] * 3
    told = opened.page.evaluate(
        """() => {
        const { view, data } = vaultplan;
        return view.hexes.ring.map((_, i) => [data.look.diverging.indexOf(view.hexFill(i)),
            view.hexSign(i)]).filter(([at]) => at >= 0);
    }"""
    )
    assert told
    assert all(sign == ("\u2212" if at < 3 else "+" if at > 3 else "") for at, sign in told)
    opened.page.click(".days >> text=Share >> nth=0")
    assert len(opened.page.query_selector_all(".ramp span")) == 6
    opened.assert_quiet()


def test_a_water_shows_only_what_reaches_it_and_its_way_to_the_sea(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="watch")
    listed = [each.inner_text() for each in opened.page.query_selector_all(".stop.water")]
    assert any("Sallow Lagoon protected" in " ".join(text.split()) for text in listed)
    before = opened.page.evaluate("vaultplan.state.only")
    assert before is None
    opened.page.click(".stop.water:has-text('Sallow Lagoon')")
    story = opened.page.inner_text("#story")
    assert "a sum of means" in story
    count = opened.page.evaluate(
        "[...vaultplan.state.only].filter((row) => row.kind === 'pump_out').length"
    )
    waters = {row["name"]: row for row in opened.page.evaluate("vaultplan.data.watched")}
    assert count == len(waters["Sallow Lagoon"]["stops"]) > 0
    assert dotted(opened) > 200
    opened.page.click("#story .back")
    assert opened.page.evaluate("vaultplan.state.only") is None
    opened.assert_quiet()


def test_an_outfall_tells_what_is_planned_behind_it(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="watch")
    ends = opened.page.evaluate(
        "vaultplan.data.stops.map((stop) => vaultplan.word('outfall_id', stop.vault))"
    )
    end = max(set(ends) - {""}, key=ends.count)
    opened.page.evaluate(
        """end => vaultplan.tellOutfall(
            vaultplan.data.ground.outfalls.find((each) => each.outfall_id === end))""",
        end,
    )
    story = opened.page.inner_text("#story")
    assert f"{ends.count(end)} planned discharge" in story
    assert len(opened.page.query_selector_all("#story button.stop")) == ends.count(end)
    opened.assert_quiet()


def test_filters_change_shares_glyphs_and_story(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="dirty")
    whole = opened.page.evaluate("vaultplan.records.fleet()")
    visits = week_frames["visits"]
    graded = visits[visits["grade"].notna()]
    assert whole == {
        "looks": len(graded),
        "dirty": int(graded["grade"].isin(["light", "heavy"]).sum()),
    }
    pictures = opened.pictures()
    opened.page.click("text=Heavy only")
    heavy = opened.page.evaluate("vaultplan.records.fleet()")
    assert heavy["dirty"] == int(graded["grade"].eq("heavy").sum())
    opened.page.click("text=Light or heavy")
    opened.page.uncheck("label:has-text('Jan - Mar') input")
    local = graded["visited_at"].dt.tz_convert("Etc/GMT+10")
    later = graded[local.dt.quarter.gt(1)]
    assert opened.page.evaluate("vaultplan.records.fleet()")["looks"] == len(later)
    assert opened.pictures()["vaults"] != pictures["vaults"]
    assert f"{len(later):,} graded looks" in opened.page.inner_text("#counts")
    opened.page.fill("#find-text", "SM-1010")
    opened.page.press("#find-text", "Enter")
    story = opened.page.inner_text("#story")
    assert "What was seen here" in story
    assert "Drawn toward the fleet's share" in story or "too few to say" in story
    opened.assert_quiet()


def test_years_cannot_be_chosen_the_wrong_way_round(
    show: Any, week_frames: dict[str, pd.DataFrame]
) -> None:
    opened = show(week_frames, audience="dirty")
    first, last = opened.page.evaluate(
        "[vaultplan.data.records.first_year, vaultplan.data.records.last_year]"
    )
    opened.page.select_option("select[data-year='to']", str(first))
    assert opened.page.input_value("select[data-year='from']") == str(first)
    opened.page.select_option("select[data-year='from']", str(last))
    assert opened.page.input_value("select[data-year='to']") == str(last)
    opened.assert_quiet()


@pytest.mark.parametrize("audience", ["watch", "dirty"])
def test_every_control_is_reached_by_keyboard(
    show: Any, week_frames: dict[str, pd.DataFrame], audience: str
) -> None:
    opened = show(week_frames, audience=audience)
    meant = opened.page.evaluate(
        """() => ['button', 'input', 'select', 'summary']
        .flatMap((tag) => [...document.querySelectorAll(`.margin ${tag}`)])
        .filter((each) => each.offsetParent !== null).length"""
    )
    reached = opened.page.evaluate_handle("new Set()")
    for _ in range(meant + 12):
        opened.page.keyboard.press("Tab")
        opened.page.evaluate("set => set.add(document.activeElement)", reached)
    found = opened.page.evaluate(
        "set => [...set].filter((each) => each.closest && each.closest('.margin')).length", reached
    )
    assert found == meant
    opened.assert_quiet()


@pytest.mark.parametrize("audience", ["watch", "dirty"])
def test_names_cannot_run_or_break_anything(
    show: Any, week_frames: dict[str, pd.DataFrame], audience: str
) -> None:
    for table, column in (
        ("vaults", "address"),
        ("receiving_waters", "name"),
        ("outfalls", "name"),
        ("plan_unserved", "reason"),
        ("sensitivities", "reason"),
    ):
        week_frames[table][column] = f"{XSS} \u05d0\u05d1 \U0001f30a" + "x" * 200
    opened = show(week_frames, audience=audience)
    if audience == "watch":
        opened.page.click(".stop.water >> nth=0")
    opened.page.fill("#find-text", "SM-1010")
    opened.page.press("#find-text", "Enter")
    assert opened.page.evaluate("window.ran") is None
    width = opened.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert width <= 0
    opened.assert_quiet()


def test_a_basemap_is_asked_for_only_when_named_and_all_shows_without_it(
    browser: Any, week_frames: dict[str, pd.DataFrame], week_settings: Any, tmp_path: Any
) -> None:
    from .conftest import open_page

    outputs = week_settings.outputs.model_copy(
        update={
            "basemap_url": "https://tiles.example.invalid/{z}/{x}/{y}.png",
            "basemap_attribution": "Tiles <b>of nobody</b>",
        }
    )
    settings = week_settings.model_copy(update={"outputs": outputs})
    opened = open_page(browser, tmp_path / "map.html", week_frames, settings)
    opened.page.wait_for_timeout(300)
    assert opened.requests
    assert all(url.startswith("https://tiles.example.invalid/") for url in opened.requests)
    assert not [each for each in opened.complaints if "Failed to load resource" not in each]
    assert opened.page.inner_text(".leaflet-control-attribution") == "Tiles <b>of nobody</b>"
    bare = opened.painted("ground")
    opened.page.uncheck("#legend input[data-layer='basemap']")
    assert opened.painted("ground") > bare
    assert opened.painted("week") > 2_000
    opened.page.context.close()


def test_a_page_whose_data_is_packed_shows_the_same(
    show: Any, week_frames: dict[str, pd.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = show(week_frames)
    whole = plain.pictures()
    size = plain.page.evaluate("document.documentElement.outerHTML.length")
    monkeypatch.setattr("vaultplan.outputs.maps.page._PACKED_FROM", 0)
    packed = show(week_frames)
    assert packed.page.get_attribute("#vaultplan-data", "type") == "application/json+gzip"
    assert packed.pictures() == whole
    assert packed.page.evaluate("document.documentElement.outerHTML.length") < size
    packed.assert_quiet()
