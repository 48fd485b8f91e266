"""Grades told apart in grey and by colour-blind eyes; letters dark enough on what they stand on.

Colour vision: Machado, Oliveira and Fernandes (2009), A physiologically-based model for simulation
of color vision deficiency, IEEE TVCG 15(6), at full severity. Distances: CAM02-UCS, Luo, Cui and Li
(2006), Color Research and Application 31(4). Both as colorspacious 1.1 computes them. Contrast:
W3C (2018), WCAG 2.1, success criterion 1.4.3 and the definition of relative luminance.
"""

from __future__ import annotations

import itertools
import re
from importlib.resources import files

import colorspacious
import numpy as np
import pytest

from vaultplan import styles
from vaultplan.outputs.charts import week
from vaultplan.outputs.drawn import ink

from .. import seeing

SEEN_BY = {
    "normal": None,
    "protan": "protanomaly",
    "deutan": "deuteranomaly",
    "tritan": "tritanomaly",
}
#: Least distance of two grades, measured when the colours were chosen; it must come out again.
MEASURED = {"normal": 30.9, "deutan": 23.0, "protan": 25.2, "tritan": 32.5}


def rgb(colour: str) -> np.ndarray:
    return seeing.rgb(colour) / 255


def seen(colour: str, eyes: str) -> np.ndarray:
    """Return a colour in CAM02-UCS as eyes of a kind see it."""
    kind = SEEN_BY[eyes]
    if kind is None:
        return colorspacious.cspace_convert(rgb(colour), "sRGB1", "CAM02-UCS")
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    as_seen = np.clip(colorspacious.cspace_convert(rgb(colour), space, "sRGB1"), 0, 1)
    return colorspacious.cspace_convert(as_seen, "sRGB1", "CAM02-UCS")


def lightness(colour: str) -> float:
    return float(colorspacious.cspace_convert(rgb(colour), "sRGB1", "CIELab")[0])


def contrast(letters: str, ground: str) -> float:
    return float(seeing.contrast(seeing.rgb(letters), seeing.rgb(ground)))


def test_contrast_is_the_standards_own() -> None:
    """WCAG 2.1: black on white is 21:1; #767676 on white is the lightest grey to pass 4.5:1."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") >= 4.5 > contrast("#777777", "#FFFFFF")


@pytest.mark.parametrize("colour", [*styles.SEQUENTIAL, *styles.DIVERGING, "#000000", "#010101"])
def test_lightness_is_that_of_colorspacious(colour: str) -> None:
    """Ours is for pixels; the two differ by less than a hundredth."""
    assert float(seeing.lightness(seeing.rgb(colour))) == pytest.approx(lightness(colour), abs=0.01)


@pytest.mark.parametrize("eyes", SEEN_BY)
def test_grades_stay_apart_for_every_kind_of_eyes(eyes: str) -> None:
    places = [seen(colour, eyes) for colour in styles.GRADE_COLOURS.values()]
    least = min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(places, 2))
    assert least >= 20
    assert least == pytest.approx(MEASURED[eyes], abs=1.5)


def test_grades_stay_apart_in_grey() -> None:
    levels = sorted(map(lightness, styles.GRADE_COLOURS.values()))
    assert min(np.diff(levels)) >= 20


def test_each_grade_has_a_glyph_and_a_hatch_of_its_own() -> None:
    assert len(set(styles.GRADE_GLYPHS.values())) == len(styles.GRADE_COLOURS) == 4
    assert len(set(styles.GRADE_HATCHES.values())) == 4


def test_the_sequential_colours_darken_step_by_step() -> None:
    levels = [lightness(colour) for colour in styles.SEQUENTIAL]
    assert all(a - b > 8 for a, b in itertools.pairwise(levels))


@pytest.mark.parametrize("eyes", ["protan", "deutan", "tritan"])
def test_the_sequential_colours_keep_their_order_for_colour_blind_eyes(eyes: str) -> None:
    levels = [seen(colour, eyes)[0] for colour in styles.SEQUENTIAL]
    assert levels == sorted(levels, reverse=True)


def test_the_ends_of_the_diverging_colours_look_alike_in_grey() -> None:
    """So no picture tells more from less by them alone: the analyst's map prints signs on them."""
    first, last = styles.DIVERGING[0], styles.DIVERGING[-1]
    assert abs(lightness(first) - lightness(last)) < 20


def _sheet_colours() -> dict[str, str]:
    text = files("vaultplan.outputs.sheets").joinpath("parts.typ").read_text(encoding="utf-8")
    named = dict(re.findall(r'#let (\w+) = rgb\("(#[0-9A-F]{6})"\)', text))
    return named | {"deep": styles.SEQUENTIAL[5], "white": "#FFFFFF"}


SHEET = _sheet_colours()
PAPER, LAND = "#FCFBF8", "#FAF9F5"
LETTERS = [
    *[("sheet", SHEET[a], SHEET[b]) for a, b in (
        ("ink", "white"), ("ink", "pale"), ("soft", "white"), ("soft", "pale"),
        ("white", "ink"), ("white", "deep"),
    )],
    *[("drawn map", letters, under) for letters in (ink.INK, ink.PATH) for under in (PAPER, LAND)],
    ("badge", "#FFFFFF", ink.BADGE),
    *[("bar of the week", week._look({"kind": kind, "method": method})[1],
       week._look({"kind": kind, "method": method})[0])
      for kind, method in (
          ("pump_out", "storm_drain"), ("pump_out", "filter_sock"), ("vacuum", "vacuum_truck"),
          ("work", None), ("dump", None),
      )],
]  # fmt: skip


@pytest.mark.parametrize(("where", "letters", "ground"), LETTERS)
def test_letters_stand_out_from_their_ground(where: str, letters: str, ground: str) -> None:
    assert contrast(letters, ground) >= 4.5, where


@pytest.mark.parametrize("grade", styles.GRADE_COLOURS)
def test_every_mark_stands_out_from_the_paper_by_its_outline(grade: str) -> None:
    """WCAG 2.1, success criterion 1.4.11: 3:1 for what is needed to understand a picture."""
    assert contrast(styles.OUTLINE, PAPER) >= 3.0
    edge = styles.grade_symbol(grade)
    assert edge.stroke == styles.OUTLINE
