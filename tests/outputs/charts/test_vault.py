"""Pictures of a vault: the fan as forecast, looks by glyph, blanks, the page's words."""

from __future__ import annotations

import base64
import re
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from vaultplan.outputs.charts.vault import fan_picture, grades_picture, refill_picture
from vaultplan.outputs.charts.vault_page import VaultStory, write_vault_page

AS_OF = pd.Timestamp("2026-10-30")


def forecasts(days=28, **more):
    on = [AS_OF + pd.Timedelta(days=k) for k in range(1, days + 1)]
    bands = {f"depth_in_p{p}": np.linspace(p / 10, p / 5, days) for p in (10, 25, 50, 75, 90)}
    gallons = {f"volume_gal_p{p}": 20.0 * bands[f"depth_in_p{p}"] for p in (10, 50, 90)}
    chances = {"prob_clear": 0.5, "prob_light": 0.3, "prob_heavy": 0.2}
    return pd.DataFrame({"on": on, **bands, **gallons, **chances, **more})


def visits():
    return pd.DataFrame(
        {
            "on": [pd.Timestamp("2019-01-01"), pd.Timestamp("2025-01-01"), AS_OF],
            "depth_in": [90.0, 12.0, np.nan],
            "grade": ["clear", "heavy", None],
        }
    )


ROOM = {"depth_in": 96.0, "working_depth_in": 6.0, "gal_per_in": 20.0}
CURVE = pd.DataFrame({"hours": [0.0, 12.0, 24.0], "prob_workable": [1.0, 0.8, 0.4]})


def story(**more):
    told = {
        "vault_id": "V-1", "place": "1 Kelp Row", "forecasts": forecasts(), "visits": visits(),
        "curve": CURVE, "room": ROOM, "hold_hours": 4.0, "why": "Filled by rain 100 %.",
        "moved": "",
    }  # fmt: skip
    return VaultStory(**(told | more))


def page(path, *stories):
    write_vault_page(path, "Saltmarrow (invented)", AS_OF, stories)
    return path.read_text(encoding="utf-8")


SVG, LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"


def heights(svg, fill):
    """Return the heights (up is less) of the corners of the band of a colour."""
    tree = ElementTree.fromstring(svg)
    shapes = {each.get("id"): each.get("d") for each in tree.iter(f"{SVG}path")}
    (band,) = [e for e in tree.iter(f"{SVG}use") if f"fill: {fill}" in (e.get("style") or "")]
    corners = re.findall(r"[ML] ([\d.-]+) ([\d.-]+)", shapes[band.get(LINK)[1:]])
    return [float(band.get("y")) + float(y) for _, y in corners]


def test_the_inner_band_lies_within_the_outer_one():
    drawn = fan_picture(forecasts(), visits(), ROOM, AS_OF)
    pale, dark = heights(drawn, "#bfcbea"), heights(drawn, "#9399d2")
    assert min(pale) < min(dark) < max(dark) < max(pale)


def test_the_bands_stand_where_the_forecast_has_them():
    """p10 goes from 1 to 2 in, p90 from 9 to 18: the band is 17 in high, 8 of them at its start."""
    ys = heights(fan_picture(forecasts(), visits(), ROOM, AS_OF), "#bfcbea")
    per_in = (max(ys) - min(ys)) / 17
    for inches in (1, 2, 9, 18):
        wanted = max(ys) - (inches - 1) * per_in
        assert min(abs(y - wanted) for y in ys) < 0.01, inches


@pytest.mark.parametrize(
    "room", [ROOM, {"depth_in": None, "working_depth_in": 6.0, "gal_per_in": None}]
)
def test_a_vault_of_unknown_size_has_a_fan_too(room):
    drawn = fan_picture(forecasts(), visits().iloc[:0], room, AS_OF)
    ElementTree.fromstring(drawn)


def test_pictures_are_the_same_for_the_same_data():
    for draw in (
        lambda: fan_picture(forecasts(), visits(), ROOM, AS_OF),
        lambda: refill_picture(CURVE, 4.0),
        lambda: grades_picture(forecasts()),
    ):
        assert draw() == draw()
    assert refill_picture(CURVE, 4.0) != refill_picture(CURVE, None)


def test_the_page_tells_in_words_what_the_pictures_show(tmp_path):
    text = page(tmp_path / "v.html", story(), story(vault_id="V-2"))
    assert "Invented data" in text
    assert 'href="#vault-1"' in text
    assert "Filled by rain 100 %." in text
    assert "1 \u2013 9 in on 2026-10-31" in text
    assert "100 % after 0 h" in text
    assert "50 / 30 / 20 %" in text
    assert "not an entry permit" in text
    pictures = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', text)
    assert len(pictures) == 6
    for each in pictures:
        ElementTree.fromstring(base64.b64decode(each))


def test_blanks_and_markup(tmp_path):
    bad = "<script>a()</script>"
    text = page(
        tmp_path / "v.html",
        story(vault_id=bad, place=bad, why=bad, forecasts=forecasts(prob_clear=np.nan)),
    )
    assert "<script>" not in text
    assert "How it would look" not in text
    assert "not known" in text
