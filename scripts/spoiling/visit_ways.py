"""Ways to spoil what visits say: water, grades, words and remarks."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from spoiling.bench import Bench, way
from spoiling.phrases import DISPOSALS, DRY, FORMULAS, GRADES, NO_GRADE, NOT_MEASURED

GAL_PER_CUFT = 1728 / 231


def _vault_of(bench: Bench) -> pd.DataFrame:
    """Return the sizes of the vault that each visit names: floor (ft2, no gear) and depth (in)."""
    vaults = bench["vaults"]
    vaults = vaults[bench.sound("vaults")].set_index("vault_id")
    named = vaults.reindex(bench.rows["vault_id"]).set_axis(bench.rows.index)
    is_round = named["shape"].eq("round").fillna(value=False).astype(bool)
    floor = (named["length_ft"] * named["width_ft"]).mask(
        is_round, np.pi / 4 * named["length_ft"] ** 2
    )
    free = 1.0 - named["gear_frac"].fillna(0.0)
    return pd.DataFrame({"floor": floor, "free": floor * free, "room_in": named["depth_ft"] * 12.0})


def _same(rows: pd.Index[Any], text: str) -> pd.Series[Any]:
    return pd.Series(text, index=rows, dtype="str")


def _short(numbers: pd.Series[Any]) -> pd.Series[Any]:
    return numbers.map(lambda value: f"{value:g}").astype("str")


@way("word_for_dry", "visits", "value")
def visit_depth_dry(bench: Bench) -> None:
    """The word dry stands for the depth; in half of the rows the finding is left blank then."""
    rows = bench.pick(bench.rows["finding"].eq("dry") & bench.number("depth_in").eq(0))
    bench.put("depth_in", bench.choose(rows, DRY))
    bench.put("finding", _same(rows[::2], ""))


@way("word_for_blank", "visits", "value")
def visit_depth_not_measured(bench: Bench) -> None:
    """A word says that the depth was not measured, where it is blank else."""
    rows = bench.pick(bench.rows["depth_in"].eq(""))
    bench.put("depth_in", bench.choose(rows, NOT_MEASURED))


@way("unit_in_number", "visits", "value")
def visit_depth_with_unit(bench: Bench) -> None:
    """The depth has its unit behind it: 12 in, 12", 12 inches."""
    rows = bench.pick(bench.number("depth_in") > 0)
    units = bench.choose(rows, [" in", '"', " inches", "in", " in."])
    bench.put("depth_in", bench.rows.loc[rows, "depth_in"] + units)


@way("unit_in_number", "visits", "value")
def visit_depth_feet_inches(bench: Bench) -> None:
    """The depth is in feet and inches: 1' 6", 1 ft 6 in."""
    depth = bench.number("depth_in")
    rows = bench.pick((depth >= 12) & (depth % 1 == 0))
    forms = bench.choose(rows, ["{}' {}\"", "{}'-{}\"", "{} ft {} in", "{}'{}\"", "{}ft {}in"])
    said = [
        form.format(int(d // 12), int(d % 12)) for form, d in zip(forms, depth[rows], strict=True)
    ]
    bench.put("depth_in", pd.Series(said, index=rows, dtype="str"))


@way("thousands_mark", "visits", "value")
def visit_volume_thousands(bench: Bench) -> None:
    """Gallons have a comma between their thousands."""
    gallons = bench.number("volume_gal")
    rows = bench.pick((gallons >= 1000) & (gallons % 1 == 0))
    said = [f"{int(value):,}" for value in gallons[rows]]
    bench.put("volume_gal", pd.Series(said, index=rows, dtype="str"))


@way("decimal_comma", "visits", "value")
def visit_depth_decimal_comma(bench: Bench) -> None:
    """The depth has a decimal comma, from a spreadsheet that shows one decimal: 12,0."""
    depth = bench.number("depth_in")
    rows = bench.pick(depth > 0)
    said = [f"{value:.1f}".replace(".", ",") for value in depth[rows]]
    bench.put("depth_in", pd.Series(said, index=rows, dtype="str"))


@way("unknown_word", "visits", "value")
def visit_grade_free_text(bench: Bench) -> None:
    """The grade is told in a crew's own words, such as 'Very dirty, oily'."""
    _in_words(bench, "grade", GRADES)


@way("unknown_word", "visits", "value")
def visit_disposal_free_text(bench: Bench) -> None:
    """What was done with the water is told in a crew's own words."""
    _in_words(bench, "disposal", DISPOSALS)


def _in_words(bench: Bench, column: str, phrases: dict[str, tuple[str, ...]]) -> None:
    rows = bench.pick(bench.rows[column].isin(list(phrases)))
    words = bench.rows.loc[rows, column]
    said = [str(bench.rng.choice(phrases[word])) for word in words]
    bench.put(column, pd.Series(said, index=rows, dtype="str"))


@way("unknown_word", "visits", "refused")
def visit_grade_no_grade(bench: Bench) -> None:
    """What stands for the grade is no grade, and nobody can know which was meant."""
    rows = bench.pick(bench.rows["grade"].ne(""))
    bench.put("grade", bench.choose(rows, NO_GRADE))


@way("not_yes_no", "visits")
def visit_sheen_maybe(bench: Bench) -> None:
    """Sheen is answered with more than yes or no; which it was cannot be known."""
    rows = bench.pick(bench.rows["has_sheen"].ne(""))
    bench.put("has_sheen", bench.choose(rows, ["maybe", "slight", "see photo", "some"]))


@way("out_of_range", "visits")
def visit_depth_negative(bench: Bench) -> None:
    """The depth is negative, as if measured down from the lid.

    What it should be cannot be known: a slip of the key and a depth below the lid look alike.
    """
    rows = bench.pick(bench.number("depth_in") > 0)
    bench.put("depth_in", "-" + bench.rows.loc[rows, "depth_in"])


@way("above_capacity", "visits")
def visit_volume_tenfold(bench: Bench) -> None:
    """Gallons have a zero too many.

    Left out where the vault's room, gear not taken off, would hold half of them: water runs in
    while a crew pumps, so that cannot be known.
    """
    vault = _vault_of(bench)
    room = vault["floor"] * vault["room_in"] / 12.0 * GAL_PER_CUFT
    gallons = bench.number("volume_gal")
    rows = bench.pick((gallons * 10 > 2 * room) & (gallons <= room))
    bench.put("volume_gal", _short(gallons[rows] * 10))


@way("too_deep", "visits")
def visit_deeper_than_vault(bench: Bench) -> None:
    """The depth has a zero too many.

    Left out where it is less than a foot more than the vault's depth: water may stand in its neck.
    """
    room, depth = _vault_of(bench)["room_in"], bench.number("depth_in")
    rows = bench.pick((depth * 10 > room + 12) & (depth <= room) & (depth % 1 == 0))
    bench.put("depth_in", _short(depth[rows] * 10))


@way("depth_in_feet", "visits", "value")
def visit_depth_in_feet(bench: Bench) -> None:
    """The depth found is in feet, read to a quarter of a foot; the depth left is in inches.

    It can only be known where gallons are given and fitted the clean depth: those more than a
    third off the room under that depth (gear taken off) are left out, and so are vaults without
    all sizes.
    """
    depth = bench.number("depth_in")
    rows = bench.pick(_known_by_gallons(bench, depth))
    bench.put("depth_in", _short(depth[rows] / 12))


@way("depth_in_feet", "visits", "value", owed="depth_in")
def visit_depths_in_feet(bench: Bench) -> None:
    """The depths found and left are both in feet, read to a quarter of a foot.

    Left out are the same rows as with the depth found alone, and those with nothing left. That
    the depth left is in feet too cannot be known: a few inches are often left.
    """
    depth, left = bench.number("depth_in"), bench.number("left_depth_in")
    rows = bench.pick(_known_by_gallons(bench, depth) & (left > 0) & (left % 3 == 0))
    bench.put("depth_in", _short(depth[rows] / 12))
    bench.put("left_depth_in", _short(left[rows] / 12))


def _known_by_gallons(bench: Bench, depth: pd.Series[Any]) -> pd.Series[Any]:
    """Return which visits have gallons that fit their depth in inches, in quarter feet."""
    vault = _vault_of(bench)
    ratio = bench.number("volume_gal") / (vault["free"] * depth / 12.0 * GAL_PER_CUFT)
    known = ratio.between(0.75, 4 / 3) & (depth > 0) & (depth % 3 == 0)
    return known & (depth <= vault["room_in"])


@way("dry_with_water", "visits", "value")
def visit_dry_with_water(bench: Bench) -> None:
    """The finding is dry, yet there are a depth and gallons. Found full is left out."""
    fitting = bench.rows["finding"].eq("wet") & (bench.number("volume_gal") > 0)
    rows = bench.pick(fitting & (bench.number("depth_in") > 0))
    bench.put("finding", _same(rows, "dry"))


@way("zero_unclear", "visits")
def visit_zero_unclear(bench: Bench) -> None:
    """The depth is 0 and the finding blank: dry, or not measured? Nobody can know."""
    rows = bench.pick(bench.rows["finding"].eq("dry") & bench.number("depth_in").eq(0))
    bench.put("finding", _same(rows, ""))


@way("left_more", "visits", "value")
def visit_left_more(bench: Bench) -> None:
    """The depths found and left are in each other's place."""
    depth, left = bench.number("depth_in"), bench.number("left_depth_in")
    rows = bench.pick(left < depth)
    found, rest = (bench.rows.loc[rows, name].copy() for name in ("depth_in", "left_depth_in"))
    bench.put("depth_in", rest)
    bench.put("left_depth_in", found)


@way("formula_text", "visits", "kept")
def visit_formula_note(bench: Bench) -> None:
    """A remark begins as a formula does; some are only lists with a dash, one is an attack."""
    rows = bench.pick()
    bench.put("notes", bench.choose(rows, FORMULAS))


@way("ragged_row", "visits")
def visit_ragged_row(bench: Bench) -> None:
    """A comma in the remark stands without quotes, or the row breaks off after the crew."""
    rows = bench.pick(bench.rows["notes"].ne(""))
    for number, row in enumerate(rows):
        cells = [str(cell) for cell in bench.rows.loc[row]]
        before = cells[-1]
        if number % 2:
            cells.pop()
            after = ""
        else:
            after = f"{before}, see photo"
            cells[-1] = after
        bench.tear(int(row), cells, "notes", before, after)
