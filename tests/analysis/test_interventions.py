"""Change after an event against like vaults, by hand and with effects planted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vaultplan.analysis.interventions import LEAST_VAULTS, change_after

DAY = pd.Timestamp("2024-01-01")


def looks_of(rows):
    frame = pd.DataFrame(rows, columns=["vault_id", "days", "is_dirty"])
    return frame.assign(on=DAY + pd.to_timedelta(frame["days"], unit="D"))


def test_the_change_is_less_that_of_like_vaults():
    """Treated: 2 of 2 dirty before, 0 of 2 after. Control: 1 of 2 before, 1 of 2 after."""
    vaults, rows, events = [], [], []
    for n in range(LEAST_VAULTS):
        vaults += [(f"t{n}", f"class {n}"), (f"c{n}", f"class {n}")]
        rows += [(f"t{n}", day, day < 0) for day in (-60, -30, 30, 60)]
        rows += [(f"c{n}", day, abs(day) == 30) for day in (-60, -30, 30, 60)]
        rows += [(f"t{n}", 0, True), (f"t{n}", 1000, True), (f"t{n}", -1000, False)]
        events.append((f"t{n}", DAY))
    found = change_after(
        pd.DataFrame(events, columns=["vault_id", "on"]),
        looks_of(rows),
        pd.DataFrame(vaults, columns=["vault_id", "lid"]),
    )
    assert found.vaults["before_frac"].tolist() == [1.0] * LEAST_VAULTS
    assert found.vaults["control_change_frac"].tolist() == [0.0] * LEAST_VAULTS
    assert (found.change_frac, found.low_frac, found.high_frac) == (-1.0, -1.0, -1.0)


def fleet(effect, seed, *, chosen_dirty=True):
    """Vaults of a dirt of their own; the dirtiest are cleaned, and ``effect`` takes a share off."""
    rng = np.random.default_rng(seed)
    count, looks = 800, 6
    share = rng.beta(1.5, 3.0, count)
    before = rng.random((count, looks)) < share[:, None]
    seen = before.mean(axis=1)
    is_chosen = seen >= 0.5 if chosen_dirty else rng.random(count) < 0.3
    is_done = is_chosen & (rng.random(count) < 0.5)
    later = share * np.where(is_done, 1.0 - effect, 1.0)
    after = rng.random((count, looks)) < later[:, None]
    rows = []
    for n in range(count):
        rows += [(f"v{n}", -30 * (k + 1), bool(bad)) for k, bad in enumerate(before[n])]
        rows += [(f"v{n}", 30 * (k + 1), bool(bad)) for k, bad in enumerate(after[n])]
    names = [f"v{n}" for n in range(count)]
    events = pd.DataFrame({"vault_id": [n for n, d in zip(names, is_done, strict=True) if d]})
    raw = (after.mean(axis=1) - before.mean(axis=1))[is_done].mean()
    truth = (later - share)[is_done].mean()
    vaults = pd.DataFrame({"vault_id": names, "lid": "vented"})
    return change_after(events.assign(on=DAY), looks_of(rows), vaults), raw, truth


def test_vaults_chosen_for_a_bad_look_are_no_success_of_doing_nothing():
    """They fall back to their usual by themselves: the bare difference says cleaner."""
    found, raw, _ = fleet(0.0, 3)
    assert raw < -0.08
    assert found.low_frac <= 0.0 <= found.high_frac
    assert abs(found.change_frac) < 0.05


def test_a_planted_effect_is_found():
    found, _, truth = fleet(0.6, 4)
    assert found.high_frac < 0.0
    assert found.change_frac == pytest.approx(truth, abs=0.06)


def test_too_few_vaults_say_nothing():
    events = pd.DataFrame({"vault_id": ["a", "nowhere"], "on": [DAY, DAY]})
    looks = looks_of([("a", -1, True), ("a", 1, False), ("b", -1, True), ("b", 1, True)])
    vaults = pd.DataFrame({"vault_id": ["a", "b"], "lid": ["vented", "vented"]})
    found = change_after(events, looks, vaults)
    assert np.isnan(found.change_frac) and "1 vaults have looks" in found.why
    assert found.vaults["change_frac"].tolist() == [-1.0]
