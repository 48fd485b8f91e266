import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaultplan.forecast.posterior import Posterior
from vaultplan.forecast.trust import trust_in


def trusted(*vaults, expected=0.3, sd=0.05):
    """Return trust in filled shares of vaults whose level is expected at one share."""
    count = [len(fills) for fills in vaults]
    start = np.append(0, np.cumsum(count))
    n = len(vaults)
    posterior = Posterior(
        mean=np.full((1, n), expected),
        root=np.ones((1, 1, n)),
        shape=np.full(n, 10.0),
        scale=np.full(n, 10.0 * sd**2),
        log_evidence=np.zeros(n),
    )
    y = np.concatenate([np.asarray(fills, float) for fills in vaults])
    owner = np.repeat(np.arange(n), count)
    return trust_in(np.ones((1, len(y))), y, np.ones(len(y)), start, owner, posterior)


def test_readings_that_fit_are_trusted():
    assert (trusted([0.3, 0.32, 0.27, 0.31, 0.29]) > 0.9).all()


def test_one_wild_entry_is_not_and_the_others_still_are():
    found = trusted([0.3, 0.32, 0.95, 0.27, 0.31, 0.29])
    assert found[2] < 0.02
    assert (np.delete(found, 2) > 0.85).all()


def test_readings_from_before_a_lasting_change_no_longer_hold():
    found = trusted([0.22, 0.2, 0.23, 0.21, 0.2, 0.22, 0.38, 0.4, 0.39, 0.41, 0.4])
    assert (found[:6] < 0.2).all()
    assert (found[6:] > 0.6).all()


@settings(max_examples=30)
@given(st.lists(st.lists(st.floats(0, 1), min_size=1, max_size=9), min_size=2, max_size=5))
def test_a_vaults_bits_do_not_hang_on_its_company(vaults):
    together = trusted(*vaults)
    alone = np.concatenate([trusted(fills) for fills in vaults])
    assert np.array_equal(together, alone)
    assert ((together > 0) & (together <= 1)).all()


def test_nothing_read_is_nothing_trusted():
    assert trusted([], []).tolist() == pytest.approx([])
