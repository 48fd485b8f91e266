"""Keys remembered across chunks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.intake.keys import SeenKeys, key_hashes, text_hashes


@given(st.lists(st.lists(st.integers(0, 30), max_size=8), max_size=12))
def test_every_key_is_found_again_with_its_row(chunks):
    seen, told, row = SeenKeys(), {}, 0
    for chunk in chunks:
        fresh = list(dict.fromkeys(chunk))
        hashes = np.array(fresh, dtype=np.uint64)
        assert seen.earlier(hashes).tolist() == [told.get(key, 0) for key in fresh]
        new = [key for key in fresh if key not in told]
        rows = np.arange(row + 1, row + 1 + len(new))
        seen.add(np.array(new, dtype=np.uint64), rows)
        told.update(zip(new, rows.tolist(), strict=True))
        row += len(new)


def test_runs_stay_few():
    seen = SeenKeys()
    for start in range(0, 4096, 4):
        keys = np.arange(start, start + 4, dtype=np.uint64)
        seen.add(keys, keys.astype(np.int64) + 1)
    assert len(seen._runs) <= 12
    assert seen.earlier(np.array([4095, 4096], dtype=np.uint64)).tolist() == [4096, 0]


def test_a_key_of_two_columns_tells_them_apart():
    frame = pd.DataFrame({"a": ["x", "xy", "x"], "b": ["yz", "z", "yz"]}, dtype="str")
    one, other, again = key_hashes(frame, ["a", "b"])
    assert one == again
    assert one != other


def test_a_reference_hashes_like_the_key_it_points_to():
    frame = pd.DataFrame({"water_id": ["W1", "W2"]}, dtype="str")
    pointing = pd.Series(["W2"], dtype="str", index=[9])
    assert text_hashes(pointing)[0] == key_hashes(frame, ["water_id"])[1]
