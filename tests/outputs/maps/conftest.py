"""A map page in a real browser, cut off from any network."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.conftest import new_context
from vaultplan.outputs.maps.write import write_map
from vaultplan.settings import Settings

XSS = '</script><script>window.ran=1</script><img src=x onerror="window.ran=1">'


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

    def pictures(self) -> dict[str, str]:
        """Return each layer's canvas as a picture, all at one place of the town."""
        self.page.evaluate("() => map_week.setView([38.0045, -146.991], 15, {animate: false})")
        drawn = self.page.evaluate(
            """() => Object.fromEntries([...document.querySelectorAll('[data-layer] canvas')]
            .map(canvas => [canvas.parentElement.dataset.layer, canvas.toDataURL()]))"""
        )
        return dict(drawn)

    def put_back(self) -> None:
        """Undo what a test has done to the page."""
        self.page.evaluate(
            """() => {
            const text = document.getElementById('find-text');
            text.value = '';
            text.dispatchEvent(new Event('input'));
            const back = document.querySelector('#story .back');
            if (back) back.click();
            for (const trip of document.querySelectorAll('.trip[open]')) trip.open = false;
            for (const layer of document.querySelectorAll('#legend input')) {
                if (!layer.checked) layer.click();
            }
            document.querySelector('#days button').click();
            map_week.setView(window.firstView.center, window.firstView.zoom, {animate: false});
        }"""
        )


def open_page(
    browser: Any,
    path: Path,
    frames: dict[str, pd.DataFrame],
    settings: Settings,
    *,
    is_phone: bool = False,
    **how: Any,
) -> Opened:
    write_map(frames, path, settings=settings, **how)
    size = {"width": 390, "height": 780} if is_phone else {"width": 1280, "height": 800}
    context = new_context(browser, viewport=size, has_touch=is_phone, is_mobile=is_phone)
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
    shown.page.wait_for_selector("html[data-ready]")
    return shown


@pytest.fixture
def show(browser: Any, tmp_path: Path, week_settings: Settings) -> Iterator[Any]:
    pages = []

    def opened(frames: dict[str, pd.DataFrame], **how: Any) -> Opened:
        shown = open_page(browser, tmp_path / "map.html", frames, week_settings, **how)
        pages.append(shown.page)
        return shown

    yield opened
    for page in pages:
        page.context.close()
