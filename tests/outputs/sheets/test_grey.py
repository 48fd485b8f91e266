"""Grades on sheets printed in grey: told apart by level, by hatch and by shape, in pixels."""

from __future__ import annotations

import io
import itertools
import json
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
import typst
from PIL import Image
from scipy.ndimage import binary_fill_holes, find_objects, label

from vaultplan import styles

from ...seeing import lightness, overlap

GRADES = ("clear", "light", "heavy")
PIXELS_PER_PT = 4


def printed(words: str, width: float, height: float) -> np.ndarray:
    """Return a small page set with the sheets' own pieces as an office printer has it, in grey."""
    data: dict[str, Any] = {
        "t": {}, "paper": "a4", "deep": styles.SEQUENTIAL[5], "colours": dict(styles.GRADE_COLOURS),
    }  # fmt: skip
    size = f"width: {width}pt, height: {height}pt, margin: 5pt"
    source = f'#import "/sheets/parts.typ": *\n#set page({size})\n{words}'
    made = typst.compile(
        source.encode(), root=str(files("vaultplan.outputs")), format="png",
        ppi=72 * PIXELS_PER_PT, sys_inputs={"data": json.dumps(data)},
    )  # fmt: skip
    first = made[0] if isinstance(made, list) else made
    return np.asarray(Image.open(io.BytesIO(first)).convert("L"))


def level(greys: np.ndarray) -> float:
    """Return L* of the grey that most of a patch has."""
    return float(lightness(np.full(3, np.median(greys))))


@pytest.fixture(scope="module")
def bar() -> list[np.ndarray]:
    """The three parts of a bar of even chances, without their edges."""
    parts = ", ".join(f'(grade: "{grade}", share: 1, words: "")' for grade in GRADES)
    grey = printed(f"#chance-bar(({parts}))", 190, 40)
    inside = grey[7 * PIXELS_PER_PT : 14 * PIXELS_PER_PT]
    return [
        inside[:, (8 + 60 * k) * PIXELS_PER_PT : (62 + 60 * k) * PIXELS_PER_PT] for k in range(3)
    ]


@pytest.fixture(scope="module")
def marks() -> dict[str, np.ndarray]:
    """A grey picture of each grade's glyph, its outline included."""
    grades = (*GRADES, "unknown")
    words = "#stack(dir: ltr, spacing: 8pt, " + ", ".join(
        f'glyph("{g}", size: 20pt)' for g in grades
    )
    grey = printed(words + ")", 130, 34)
    found = find_objects(label(grey < 250)[0])
    pictures = sorted(((s[1].start, grey[s]) for s in found), key=lambda each: each[0])
    assert len(pictures) == 4
    return dict(zip(grades, (picture for _, picture in pictures), strict=True))


def test_parts_of_the_bar_lie_twenty_steps_of_lightness_apart(bar):
    levels = [level(part) for part in bar]
    assert min(abs(a - b) for a, b in itertools.combinations(levels, 2)) >= 20


def test_light_and_heavy_are_hatched_and_clear_is_plain(bar):
    clear, light, heavy = (part.std() for part in bar)
    assert clear < 1
    assert light > 30
    assert heavy > 30


def test_light_is_hatched_one_way_and_heavy_both_ways(bar):
    """Strokes that rise match themselves a step up and right; those that fall, down and right."""

    def match(part: np.ndarray, turn: int) -> float:
        step = 4
        moved = np.roll(part, (-turn * step, step), axis=(0, 1))[step:-step, step:-step]
        return float(np.corrcoef(part[step:-step, step:-step].ravel(), moved.ravel())[0, 1])

    _, light, heavy = bar
    assert match(light, 1) > 0.8
    assert match(light, -1) < 0.5
    assert match(heavy, 1) == pytest.approx(match(heavy, -1), abs=0.15)


def test_no_two_glyphs_share_an_outline(marks):
    """Circle in square covers pi/4 = 0.79 of it, diamond in square 0.5, diamond in circle 0.64."""
    shapes = {grade: _solid(picture) for grade, picture in marks.items()}
    for first, second in itertools.combinations(shapes, 2):
        assert overlap(shapes[first], shapes[second]) < 0.85, (first, second)
    assert overlap(shapes["clear"], shapes["light"]) == pytest.approx(np.pi / 4, abs=0.03)
    assert overlap(shapes["light"], shapes["unknown"]) == pytest.approx(0.5, abs=0.04)


def _solid(picture: np.ndarray) -> np.ndarray:
    """Return the shape within a dark outline, whatever it is filled with."""
    return np.asarray(binary_fill_holes(picture < 128))


def test_glyphs_of_the_grades_lie_twenty_steps_of_lightness_apart(marks):
    middles = {}
    for grade, picture in marks.items():
        high, wide = picture.shape
        middles[grade] = level(
            picture[int(0.55 * high) : int(0.65 * high), int(0.45 * wide) : int(0.55 * wide)]
        )
    for first, second in itertools.combinations(middles, 2):
        assert abs(middles[first] - middles[second]) >= 20, (first, second)
