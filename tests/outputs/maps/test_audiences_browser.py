"""The specialist's and the analyst's map in a browser: lists, filters, paths, keyboard, phone."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from .conftest import XSS, Opened

pytestmark = pytest.mark.browser


def dotted(opened: Opened) -> int:
    """Return how many pixels of the week's layer have the colour of a water path."""
    return int(
        opened.page.evaluate(
            """() => {
            const drawn = document.querySelector('[data-layer="week"] canvas');
            const at = drawn.getContext('2d').getImageData(0, 0, drawn.width, drawn.height).data;
            const ink = [11, 90, 138, 255];
            let count = 0;
            for (let i = 0; i < at.length; i += 4) {
              if (ink.every((value, k) => at[i + k] === value)) count += 1;
            }
            return count;
        }"""
        )
    )


@pytest.mark.parametrize("is_phone", [False, True])
@pytest.mark.parametrize(
    ("audience", "title"),
    [("watch", "Watch-list: Week of Mon 2 Mar 2026"), ("dirty", "Where it is dirty")],
)
def test_the_page_opens_quietly_at_a_desk_and_on_a_phone(
    show: Any, week_frames: dict[str, pd.DataFrame], audience: str, title: str, is_phone: bool
) -> None:
    opened = show(week_frames, audience=audience, is_phone=is_phone)
    assert opened.page.inner_text("#week") == title
    assert opened.painted("ground") > 50_000
    assert "not an entry permit" in opened.page.text_content("#cautions")
    if is_phone:
        opened.page.click("#unfold")
    assert opened.page.is_visible("#legend")
    width = opened.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert width <= 0
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
