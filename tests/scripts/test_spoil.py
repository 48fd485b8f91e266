"""The spoiler of fleets: what it says it did is what it did, and nothing else."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data" / "demo"
SCRIPT = ROOT / "scripts" / "spoil.py"
sys.path.insert(0, str(SCRIPT.parent))

from spoil import WAYS, main, spoil  # noqa: E402
from spoiling.measure import read_answers  # noqa: E402

from vaultplan.intake.rules import RULES  # noqa: E402
from vaultplan.schema import LOADABLE, table  # noqa: E402

TEXTS = [name for name in LOADABLE if (DEMO / f"{name}.csv").exists()]
LAYERS = [name for name in LOADABLE if name not in TEXTS]


@pytest.fixture(scope="module")
def dirty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("spoiled") / "dirty"
    spoil(DEMO, out, seed=1)
    return out


@pytest.fixture(scope="module")
def answers(dirty: Path) -> pd.DataFrame:
    return read_answers(dirty / "answers.csv")


def text_rows(folder: Path, name: str) -> tuple[list[str], dict[int, list[str]]]:
    """Return a CSV file's header and its rows, by the number a reader of the file would give."""
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    return header, dict(enumerate(rows, 2))


def layer_rows(folder: Path, name: str) -> pd.DataFrame:
    frame = pyogrio.read_dataframe(folder / "spatial.gpkg", layer=name, fid_as_index=True)
    assert frame.index.tolist() == list(range(1, len(frame) + 1))
    return frame


def test_each_way_has_a_rule_a_reason_and_a_repair_only_where_the_rule_has_one():
    assert len(WAYS) >= 25
    for name, way in WAYS.items():
        assert way.rule in RULES, name
        assert way.table in LOADABLE, name
        assert way.told.endswith("."), name
        if way.mends in ("value", "range", "once"):
            assert RULES[way.rule].repair, name


def test_every_way_was_used_and_no_row_in_two(answers):
    assert set(answers["way"]) == set(WAYS)
    assert (answers.groupby(["table", "row"])["way"].nunique() == 1).all()
    rows = answers.groupby("way")["row"].nunique()
    few = ["area_bow_tie", "backdrop_bow_tie", "order_window_with_am"]
    assert (rows.drop(few) == 20).all(), rows[rows < 20]
    assert rows[few].ge([1, 4, 15]).all()


@pytest.mark.parametrize("name", TEXTS)
def test_text_files_hold_what_the_answers_say_and_are_clean_elsewhere(dirty, answers, name):
    header, before = text_rows(DEMO, name)
    same_header, after = text_rows(dirty, name)
    assert header == same_header
    own = answers[answers["table"] == name]
    for line in own.itertuples():
        if line.column == "":
            assert line.row not in before
            assert after[line.row][0] in line.row_key
        else:
            at = header.index(line.column)
            assert before[line.row][at] == line.before != line.after
            if line.way != "visit_ragged_row":
                assert after[line.row][at] == line.after
    for row in set(before) - set(own["row"]):
        assert after[row] == before[row]
    assert set(after) == set(before) | set(own["row"])
    torn = own[own["way"] == "visit_ragged_row"]["row"]
    assert all(len(cells) == len(header) for row, cells in after.items() if row not in set(torn))
    assert all(len(after[row]) != len(header) for row in torn)


@pytest.mark.parametrize("name", LAYERS)
def test_layers_hold_what_the_answers_say_and_are_clean_elsewhere(dirty, answers, name):
    before, after = layer_rows(DEMO, name), layer_rows(dirty, name)
    assert before.crs == after.crs
    assert before.dtypes.to_dict() == after.dtypes.to_dict()
    own = answers[answers["table"] == name]
    changed = own[own["column"] != ""]
    added = own[own["column"] == ""]
    assert after.index.difference(before.index).tolist() == added["row"].tolist()
    for line in changed.itertuples():
        old, new = before.loc[line.row, line.column], after.loc[line.row, line.column]
        if line.column == "geometry":
            assert shapely.equals_identical(old, shapely.from_wkt(line.before))
            found = None if line.after == "" else shapely.from_wkt(line.after)
            assert (new is None and found is None) or shapely.equals_identical(new, found)
        elif line.after == "":
            assert np.isnan(new)
        else:
            assert str(new) == line.after
            assert str(old) == line.before
    kept = before.index.difference(own["row"])
    pd.testing.assert_frame_equal(after.loc[kept], before.loc[kept])


def test_copies_of_rows_are_what_their_way_says(dirty, answers):
    vaults = layer_rows(dirty, "vaults")
    for way, is_near in (("vault_near_twin", True), ("vault_row_repeated", False)):
        for line in answers[answers["way"] == way].itertuples():
            copy = vaults.loc[line.row]
            away_ft = vaults["geometry"].drop(line.row).distance(copy["geometry"]) / 0.3048
            own = vaults.loc[away_ft.idxmin()]
            assert away_ft.min() <= 2.0
            assert (away_ft.min() > 0) == (own["vault_id"] != copy["vault_id"]) == is_near
            assert own[["kind", "depth_ft"]].equals(copy[["kind", "depth_ft"]])


def test_the_same_seed_gives_the_same_bytes_and_another_seed_other_rows(dirty, answers, tmp_path):
    spoil(DEMO, tmp_path / "again", seed=1)
    for path in sorted(dirty.iterdir()):
        assert (tmp_path / "again" / path.name).read_bytes() == path.read_bytes(), path.name
    other = spoil(DEMO, tmp_path / "other", seed=2)
    assert set(map(tuple, other[["table", "row", "way"]].to_numpy())) != set(
        map(tuple, answers[["table", "row", "way"]].to_numpy())
    )


def test_one_way_leaves_all_other_files_as_they_are(tmp_path):
    done = spoil(DEMO, tmp_path, seed=3, ways=["visit_depth_negative"], per_way=5)
    assert done["way"].tolist() == ["visit_depth_negative"] * 5
    assert done["after"].tolist() == ["-" + depth for depth in done["before"]]
    for name in (*(f"{name}.csv" for name in TEXTS), "spatial.gpkg"):
        same = (tmp_path / name).read_bytes() == (DEMO / name).read_bytes()
        assert same == (name != "visits.csv")
    key = table("visits").key[0]
    assert key == "visit_id"
    assert done["row_key"].str.fullmatch(r"V\d{7}").all()


def test_the_command_spoils(tmp_path):
    command = [sys.executable, "-W", "error", str(SCRIPT), str(DEMO), "--out", str(tmp_path)]
    asked = ["--ways", "pipe_ring,order_us_day", "--per-way", "3"]
    done = subprocess.run([*command, *asked], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "6 rows spoiled in 2 ways" in done.stdout
    assert len(read_answers(tmp_path / "answers.csv")) == 6


def test_the_command_lists_and_refuses(tmp_path, capsys):
    main(["--list"])
    assert len(capsys.readouterr().out.splitlines()) == len(WAYS)
    with pytest.raises(SystemExit, match="no way no_such_way"):
        main([str(DEMO), "--out", str(tmp_path), "--ways", "no_such_way"])
    with pytest.raises(SystemExit, match="another folder"):
        main([str(DEMO), "--out", str(DEMO), "--ways", "pipe_ring"])
