"""The page about data in a real browser, with the network cut."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString, Point, box

from tests.conftest import new_context
from vaultplan import schema
from vaultplan.intake.quality import check_frames, field_quality, row_findings, rule_words
from vaultplan.outputs.quality.page import write_quality_page

pytestmark = pytest.mark.browser

XSS = '</script><script>window.ran=1</script><img src=x onerror="window.ran=1">'
CRS = "EPSG:32606"
X0, Y0 = 500_000.0, 4_206_000.0


@dataclass
class Opened:
    """A page with what it asked for and complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def assert_quiet(self) -> None:
        assert self.requests == []
        assert self.complaints == []

    def colours(self, layer: str = "moves") -> dict[str, int]:
        """Return how many pixels of a canvas have each full colour."""
        counted = self.page.evaluate(
            """layer => {
            const drawn = document.querySelector(`[data-layer="${layer}"] canvas`);
            const copy = document.createElement('canvas');
            [copy.width, copy.height] = [drawn.width, drawn.height];
            const context = copy.getContext('2d');
            context.drawImage(drawn, 0, 0);
            const at = context.getImageData(0, 0, copy.width, copy.height).data;
            const counts = {};
            for (let i = 0; i < at.length; i += 4) {
                if (at[i + 3] !== 255) continue;
                const hex = k => at[i + k].toString(16).padStart(2, '0');
                const name = `#${hex(0)}${hex(1)}${hex(2)}`;
                counts[name] = (counts[name] || 0) + 1;
            }
            return counts;
        }""",
            layer,
        )
        return dict(counted)


BEFORE, AFTER, LINE = "#6b3a0a", "#4f2f7f", "#222222"


def table(name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    declared = schema.table(name)
    frame = pd.DataFrame(rows)
    if declared.geometry is not None:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS)
    return declared.conform(frame)


def make_frames(name: str = "Saltmarrow", bad: str = "plain") -> dict[str, pd.DataFrame]:
    """Return a small town of which one vault was moved 300 m, one far, and one set aside."""
    at = {"change_id": "1", "changed_at": "2026-10-30T22:00Z", "table_name": "vaults"}
    moved = {**at, "column_name": "geometry", "load_id": "L1", "rule": "wrong_grid", "who": bad}
    wkt = f"POINT ({X0 + 300} {Y0 + 300})"
    changes = [
        {**moved, "row_key": "V1", "before": wkt, "after": f"POINT ({X0} {Y0})"},
        {
            **moved,
            "change_id": "2",
            "row_key": "V2",
            "before": "POINT (0 0)",
            "after": f"POINT ({X0 + 100} {Y0})",
        },
    ]
    load = {
        "load_id": "L1",
        "table_name": "vaults",
        "file": f"west {bad}.csv",
        "loaded_at": "2026-10-30T22:00Z",
        "crs": CRS,
        "rows_in": 10,
        "rows_loaded": 6,
        "rows_repaired": 3,
        "rows_quarantined": 1,
    }
    finding = {
        "load_id": "L1",
        "number": 1,
        "rule": "unknown_word",
        "severity": "error",
        "row": 4,
        "row_key": bad,
        "column_name": "kind",
        "value": bad,
        "fault": bad,
        "remedy": bad,
        "proposal": bad,
    }
    raw = f'{{"(shape)": "POINT ({X0 - 200} {Y0 - 200})"}}'
    vaults = [
        {
            "vault_id": bad if n == 5 else f"V{n}",
            "district": ("North", bad)[n % 2],
            "depth_ft": None if n < 4 else 8.0,
            "status": "in_service" if n else bad,
            "geometry": Point(X0 + 100 * n, Y0 + 60 * n),
        }
        for n in range(8)
    ]
    roads = [{"road_id": "R", "name": bad, "geometry": LineString([(X0, Y0), (X0 + 900, Y0)])}]
    water = {"water_id": "W", "name": bad, "kind": "lake"}
    return {
        "project": table("project", [{"fact": "name", "value": name}]),
        "vaults": table("vaults", vaults),
        "roads": table("roads", roads),
        "receiving_waters": table(
            "receiving_waters", [{**water, "geometry": box(X0, Y0 - 400, X0 + 300, Y0 - 250)}]
        ),
        "trucks": table(
            "trucks",
            [
                {
                    **{"truck_id": "C1", "kind": "crew", "depot_id": "D"},
                    **{"shift_from": "07:00", "shift_to": "15:00"},
                }
            ],
        ),
        "loads": table("loads", [load]),
        "findings": table("findings", [finding]),
        "changes": table("changes", changes),
        "raw_rows": table(
            "raw_rows",
            [
                {
                    **{"load_id": "L1", "row": 4, "row_key": bad, "state": "quarantined"},
                    **{"rules": "unknown_word", "raw": raw},
                }
            ],
        ),
    }


@pytest.fixture
def show(browser: Any, tmp_path: Path) -> Iterator[Any]:
    contexts = []

    def opened(frames: dict[str, pd.DataFrame], *, is_phone: bool = False) -> Opened:
        path = tmp_path / "quality.html"
        write_quality_page(
            frames,
            path,
            fields=field_quality(frames),
            report=check_frames(frames),
            rows=row_findings(frames),
            rules=rule_words(),
        )
        size = {"width": 390, "height": 780} if is_phone else {"width": 1280, "height": 800}
        context = new_context(browser, viewport=size, has_touch=is_phone, is_mobile=is_phone)
        contexts.append(context)
        shown = Opened(context.new_page())

        def answer(route: Any) -> None:
            if route.request.url.startswith("file:"):
                route.continue_()
                return
            shown.requests.append(route.request.url)
            route.abort()

        context.route(lambda url: not url.startswith("data:"), answer)
        shown.page.on("console", lambda told: shown.complaints.append(f"{told.type}: {told.text}"))
        shown.page.on("pageerror", lambda error: shown.complaints.append(str(error)))
        shown.page.goto(path.as_uri())
        shown.page.wait_for_selector("html[data-ready]")
        return shown

    yield opened
    for context in contexts:
        context.close()


def test_the_page_opens_without_network_or_complaint(show: Any) -> None:
    opened = show(make_frames())
    page = opened.page
    assert page.inner_text("h1") == "Data of Saltmarrow"
    assert "nothing about whether a vault is safe" in page.inner_text("header")
    assert page.inner_text("#loads-table tbody tr").split("\t")[3:] == [
        *("10", "=", "6", "+", "3", "+", "1", "")
    ]
    label = page.get_attribute("#loads-table .bar", "aria-label")
    assert label == "6 as they stand, 3 with a repair, 1 set aside"
    widths = page.evaluate(
        "() => [...document.querySelectorAll('.bar i')].map(i => i.getBoundingClientRect().width)"
    )
    assert widths[0] / widths[1] == pytest.approx(2, abs=0.1)
    assert widths[1] / widths[2] == pytest.approx(3, abs=0.3)
    assert len(opened.colours("ground")) > 3
    opened.assert_quiet()


def test_before_and_after_are_switched_by_the_keyboard(show: Any) -> None:
    opened = show(make_frames())
    page = opened.page
    both = opened.colours()
    assert both[BEFORE] > 20 and both[AFTER] > 20 and both[LINE] > 20
    page.focus("#when input:checked")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate("() => document.activeElement.value") == "after"
    after = opened.colours()
    assert after[AFTER] >= both[AFTER] and BEFORE not in after and LINE not in after
    page.keyboard.press("ArrowLeft")
    before = opened.colours()
    assert before[BEFORE] >= both[BEFORE] and AFTER not in before
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert opened.colours() == both
    opened.assert_quiet()


def test_what_lies_off_the_map_is_listed_beside_it(show: Any) -> None:
    opened = show(make_frames())
    assert opened.page.inner_text("#off-head") == "Off the map: 1 row"
    listed = opened.page.inner_text("#off tbody")
    assert "V2" in listed and "0, 0" in listed and "another grid" in listed
    assert "3 rows on the map" in opened.page.inner_text("#places-note")
    opened.assert_quiet()


def test_a_click_and_the_list_tell_of_a_row(show: Any) -> None:
    opened = show(make_frames())
    page = opened.page
    page.click("#drawn summary")
    page.focus("#drawn button")
    page.keyboard.press("Enter")
    assert page.inner_text("#told").startswith("vaults V1 (west plain.csv): a coordinate is in")
    marked = opened.colours()
    spot = page.evaluate(
        """() => {
        const { data, latLng } = window.vaultplan;
        const row = data.moves.drawn.find(each => each.state === 'aside');
        map_places.setView(latLng(...row.before), 17, {animate: false});
        const at = map_places.latLngToContainerPoint(latLng(...row.before));
        const frame = map_places.getContainer().getBoundingClientRect();
        return [at.x + frame.left, at.y + frame.top];
    }"""
    )
    page.mouse.click(*spot)
    assert "set aside, not loaded" in page.inner_text("#told")
    assert opened.colours() != marked
    opened.assert_quiet()


def test_tables_are_picked_and_both_measures_shown(show: Any) -> None:
    opened = show(make_frames())
    page = opened.page

    def cells(column: str) -> list[str]:
        return list(
            page.evaluate(
                """name => [...[...document.querySelectorAll('#fields-table tbody tr')]
                .find(row => row.firstChild.firstChild.textContent === name)
                .querySelectorAll('td')].map(cell => cell.textContent)""",
                column,
            )
        )

    heads = page.eval_on_selector_all("#fields-table thead th", "all => all.map(h => h.innerText)")
    assert heads == ["Field", "all", "North", "plain"]
    assert cells("depth_ft") == ["50", "50", "50"]
    assert cells("status") == ["100", "100", "100"]
    page.focus("#measure input:checked")
    page.keyboard.press("ArrowRight")
    assert cells("status") == ["88", "75", "100"]  # one of eight is no word of the list
    assert cells("address") == ["\u2013"] * 3
    page.select_option("#table", label="trucks")
    assert "trucks, 1 row" in page.inner_text("#fields-note")
    assert cells("kind") == ["100"]
    opened.assert_quiet()


def test_findings_open_to_their_rows(show: Any) -> None:
    opened = show(make_frames())
    page = opened.page
    page.focus("#found-list summary")
    page.keyboard.press("Enter")
    told = page.inner_text("#found-list .more")
    assert "take the word that the word list gives for it" in told
    assert "could be: plain" in told and "west plain.csv" in told
    page.click("#now-list .rule:has-text('no full set') summary")
    assert "8 rows" in page.inner_text("#now-list .rule:has-text('no full set')")
    opened.assert_quiet()


def test_texts_cannot_run_or_break_anything(show: Any) -> None:
    odd = XSS + "\u2028 \u202eabc {{script}}"
    frames = make_frames(odd, odd)
    opened = show(frames)
    page = opened.page
    assert page.inner_text("h1").startswith("Data of </script><script>")
    assert page.title().startswith("Data of </script><script>")
    for summary in page.query_selector_all("summary"):
        summary.click()
    for option in page.eval_on_selector_all("#table option", "all => all.map(o => o.value)"):
        page.select_option("#table", option)
    page.select_option("#table", label="vaults")
    for selector in ("#loads-table", "#found-list", "#now-list", "#fields-table", "#drawn"):
        assert "<img src=x" in page.inner_text(selector), selector
    assert page.evaluate("() => window.ran") is None
    assert page.query_selector("img[src='x']") is None
    opened.assert_quiet()


@pytest.mark.parametrize("is_phone", [True, False])
def test_nothing_sticks_out_and_text_is_large_and_dark_enough(show: Any, is_phone: bool) -> None:
    opened = show(make_frames(bad="AVeryLongNameWithoutAnyBlank" * 4), is_phone=is_phone)
    page = opened.page
    wide = page.viewport_size["width"]
    assert page.evaluate("() => document.documentElement.scrollWidth") <= wide
    for summary in page.query_selector_all("summary"):
        summary.click()
    assert page.evaluate("() => document.documentElement.scrollWidth") <= wide
    faint = page.evaluate(
        """() => {
        const linear = c => c <= .04045 ? c / 12.92 : ((c + .055) / 1.055) ** 2.4;
        const weights = [.2126, .7152, .0722];
        const lit = rgb => rgb.reduce((sum, c, i) => sum + linear(c / 255) * weights[i], 0);
        const numbers = text => text.match(/[\\d.]+/g).map(Number);
        const found = [];
        for (const node of document.querySelectorAll('body *')) {
            const own = [...node.childNodes].some(c => c.nodeType === 3 && c.textContent.trim());
            if (!own || !node.getClientRects().length) continue;
            const style = getComputedStyle(node);
            let under = node;
            let back = [0, 0, 0, 0];
            while (under && (back[3] ?? 1) === 0) {
                back = numbers(getComputedStyle(under).backgroundColor);
                under = under.parentElement;
            }
            const [a, b] = [lit(numbers(style.color).slice(0, 3)), lit(back.slice(0, 3))];
            const contrast = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
            if (parseFloat(style.fontSize) < 14 || contrast < 4.5) {
                found.push([node.tagName, node.textContent.slice(0, 30), style.fontSize, contrast]);
            }
        }
        return found;
    }"""
    )
    assert faint == []
    opened.assert_quiet()


def test_a_large_fleet_and_an_empty_database_open_too(show: Any) -> None:
    frames = make_frames()
    xs = range(10_001)
    places = gpd.points_from_xy([X0 + x % 100 * 90 for x in xs], [Y0 + x // 100 * 90 for x in xs])
    vaults = gpd.GeoDataFrame({"vault_id": [f"V{x}" for x in xs]}, geometry=places, crs=CRS)
    frames["vaults"] = schema.table("vaults").conform(vaults)
    opened = show(frames)
    assert "hexes: 10,001 vaults" in opened.page.inner_text("#legend")
    opened.assert_quiet()
    empty = show({})
    assert "Nothing was loaded yet." in empty.page.inner_text("#as-of")
    assert "No repair moved a row" in empty.page.inner_text("#places-note")
    empty.assert_quiet()


def test_paper_gets_every_column_and_the_map(show: Any) -> None:
    opened = show(make_frames())
    opened.page.set_viewport_size({"width": 720, "height": 960})  # letter without its margins
    opened.page.emulate_media(media="print")
    assert opened.page.evaluate("() => document.documentElement.scrollWidth") <= 720
    opened.page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    assert opened.colours()[AFTER] > 20
    assert not opened.page.is_visible("nav") and opened.page.is_visible("#map")
    opened.page.evaluate("() => dispatchEvent(new Event('afterprint'))")
    assert opened.requests == []
