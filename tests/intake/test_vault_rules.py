"""What the trade knows of vaults, on classes solved by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vaultplan.intake.around import Around
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.rules import asked_for
from vaultplan.intake.survey import SizeClass, Survey
from vaultplan.intake.vault_rules import check_vaults

#: Vaults of a median 5 x 10 x 7 ft, 80 % of them within a fifth of that.
SIZES = {
    (name, "vault", False): SizeClass(float(np.log(ft)), 0.2, ft * 0.8, ft * 1.2)
    for name, ft in (("length_ft", 5.0), ("width_ft", 10.0), ("depth_ft", 7.0))
}


def checked(*rows: tuple[float | None, ...], apply: tuple[str, ...] = (), **survey: object):
    frame = pd.DataFrame(list(rows), columns=["length_ft", "width_ft", "depth_ft"], dtype="float64")
    frame.index = pd.RangeIndex(1, 1 + len(frame))
    frame = frame.assign(kind="vault", shape="rectangular", vault_id=[f"V{i}" for i in frame.index])
    text = {name: frame[name].astype("str").where(frame[name].notna()) for name in frame}
    book = FindingBook(asked_for(apply) if apply else frozenset())
    mended = check_vaults(frame, text, Survey(sizes=SIZES, **survey), Around(), book)
    found = book.findings()
    return mended, sorted(zip(found["row"], found["rule"], found["column"], strict=True)), book


def test_usual_sizes_are_left_alone():
    assert checked((5, 10, 7), (4, 8.5, 6), (6.5, 12, 9))[1] == []


@pytest.mark.parametrize(
    ("given", "rule", "value"),
    [
        (84.0, "size_in_inches", 7.0),
        (60.0, "size_in_inches", 5.0),
        (2.134, "size_in_metres", 7.001),
        (1.83, "size_in_metres", 6.004),
    ],
)
def test_one_size_in_another_unit(given, rule, value):
    mended, found, _ = checked((5, 10, given), apply=("all",))
    assert found == [(1, rule, "depth_ft")]
    assert mended.loc[1, "depth_ft"] == pytest.approx(value, abs=0.001)


def test_a_whole_vault_in_metres_or_inches():
    mended, found, _ = checked((1.524, 3.048, 2.134), (60, 120, 84), apply=("all",))
    assert {rule for _, rule, _ in found} == {"size_in_metres", "size_in_inches"}
    assert len(found) == 6
    for row in (1, 2):
        sizes = mended.loc[row, ["length_ft", "width_ft", "depth_ft"]].tolist()
        assert sizes == pytest.approx([5, 10, 7], abs=0.01)


def test_a_small_vault_is_small_in_all_its_sizes():
    # Two thirds of the class in every size, in whole steps of 3 inches: feet after all.
    assert checked((3.25, 6.5, 4.5))[1] == []


@pytest.mark.parametrize("depth", [0.0, -3.0, 0.5, 300.0])
def test_sizes_that_no_vault_has(depth):
    mended, found, book = checked((5, 10, depth))
    assert found == [(1, "size_absurd", "depth_ft")]
    assert book.findings()["proposal"].item() == "7.0"
    assert mended.loc[1, "depth_ft"] == depth
    mended, _, _ = checked((5, 10, depth), apply=("size_absurd",))
    assert mended.loc[1, ["depth_ft", "imputed"]].tolist() == [7.0, "depth_ft=5.6-8.4"]


def test_missing_sizes_are_filled_with_their_range_and_never_bare():
    mended, found, book = checked((None, 10, None), (5, 10, 7), apply=("size_missing",))
    assert found == [(1, "size_missing", "depth_ft"), (1, "size_missing", "length_ft")]
    assert mended.loc[1, ["length_ft", "depth_ft"]].tolist() == [5.0, 7.0]
    assert mended.loc[1, "imputed"] == "length_ft=4.0-6.0;depth_ft=5.6-8.4"
    assert pd.isna(mended.loc[2, "imputed"])
    assert book.take_beyond()["imputed"].tolist() == [1]
    _, changes = book.take_chunk()
    assert set(changes["column"]) == {"length_ft", "depth_ft", "imputed"}


def test_a_class_that_nobody_measured_proposes_nothing():
    frame = pd.DataFrame({"vault_id": ["V1"], "depth_ft": [np.nan]}, index=[1])
    text = {name: frame[name].astype("str").where(frame[name].notna()) for name in frame}
    book = FindingBook(asked_for(["all"]))
    check_vaults(frame, text, Survey(), Around(), book)
    assert book.findings()[["rule", "proposal"]].values.tolist() == [["size_missing", ""]]


def test_twins_and_idle_vaults_are_told():
    twins = pd.Series(["V9"], index=[1], dtype="str")
    _, found, book = checked((5, 10, 7), (5, 10, 7), twins=twins)
    assert found == [(1, "near_twin", "vault_id")]
    assert not book
