"""Hot spots with their evidence, and what may be behind each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse, stats

from vaultplan.analysis.hotspots import (
    chance_of_sums,
    getis_ord_star,
    joined,
    local_moran,
    stand_out,
)
from vaultplan.analysis.rates import Fit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: A place with fewer vaults looked into, its neighbours' counted, is not known.
LEAST_LOOKED: Final = 5
#: So many candidate causes are named.
_MOST_CAUSES: Final = 3
_EVIDENCE: Final = (
    *("cluster", "vault_count", "looked_vaults", "looks", "dirty_looks", "expected_looks"),
    *("ratio", "random_maps_frac", "by_year", "by_quarter", "example"),
)
_LEAST_CAUSE: Final = 0.05


def judged_places(
    places: pd.DataFrame,
    near: sparse.csr_matrix,
    *,
    permutations: int,
    rate: float,
    seed: int,
) -> pd.DataFrame:
    """Return places with what their neighbourhood says.

    Parameters
    ----------
    places
        ``above`` (dirty looks above what is expected), ``variance``, ``looked_vaults``.
    near
        Which places are neighbours.
    rate
        Share of the places said to be hot that may be so by chance.

    Returns
    -------
    pandas.DataFrame
        The places with ``gi_star``, ``local_moran``, ``chance`` (share of random maps in which the
        place and its neighbours are as dirty or dirtier), ``state`` (hot, not_hot, not_known) and
        ``cluster`` (-1: none). A place is hot only if it is itself not below what is expected.
    """
    variance = places["variance"].to_numpy(float)
    values = np.divide(
        places["above"].to_numpy(float),
        np.sqrt(variance),
        out=np.zeros(len(places)),
        where=variance > 0,
    )
    looked = places["looked_vaults"].to_numpy(float)
    is_known = looked + near @ looked >= LEAST_LOOKED
    # The place counts among its neighbours: its dirt alone is no hot spot, but adds to one.
    around = sparse.csr_matrix(near + sparse.identity(len(places), format="csr"))
    if near.nnz:
        chance = chance_of_sums(values, around, permutations=permutations, seed=seed)
    else:
        # Few large places without neighbours: each is weighed by itself, many vaults to a place.
        chance = stats.norm.sf(values)
    hot = stand_out(chance, is_known, rate) & (values >= 0)
    state = np.where(hot, "hot", np.where(is_known, "not_hot", "not_known"))
    return places.assign(
        gi_star=getis_ord_star(values, near),
        local_moran=local_moran(values, near),
        chance=chance,
        state=pd.Series(state, index=places.index, dtype="str"),
        cluster=joined(hot, near),
    )


def evidence(
    cluster: Ints, chance: Floats, looks: pd.DataFrame, share: Floats, names: Sequence[str]
) -> pd.DataFrame:
    """Return a row per cluster: vaults, looks, dirty ones, and how many were to be expected.

    Parameters
    ----------
    cluster, chance, share, names
        Of each vault: its cluster (-1: none), its place's chance, expected dirty share, and id.
    looks
        ``vault`` (number), ``year``, ``quarter``, ``is_dirty``: graded visits.

    Returns
    -------
    pandas.DataFrame
        ``cluster``, ``vault_count``, ``looked_vaults``, ``looks``, ``dirty_looks``,
        ``expected_looks``, ``ratio``, ``random_maps_frac`` (share of random maps as strong as its
        strongest place), ``by_year`` and ``by_quarter`` in words, most excess first.
    """
    at = looks["vault"].to_numpy()
    told = looks.assign(cluster=cluster[at], expected=share[at])
    told = told[told["cluster"] >= 0]
    sums = told.groupby("cluster").agg(
        looked_vaults=("vault", "nunique"),
        looks=("vault", "size"),
        dirty_looks=("is_dirty", "sum"),
        expected_looks=("expected", "sum"),
    )
    inside = np.flatnonzero(cluster >= 0)
    vaults = pd.DataFrame({"chance": chance[inside], "first": inside}, index=cluster[inside])
    own = vaults.groupby(level=0).agg(
        vault_count=("first", "size"), random_maps_frac=("chance", "min"), first=("first", "min")
    )
    found = own.join(sums).assign(
        by_year=_in_words(told, "year"), by_quarter=_in_words(told, "quarter")
    )
    counts = ["looked_vaults", "looks", "dirty_looks"]
    found = found.astype({name: "int64" for name in counts if found[name].notna().all()})
    found["ratio"] = found["dirty_looks"] / found["expected_looks"]
    found["example"] = [names[first] for first in found.pop("first")]
    found = found.rename_axis("cluster").reset_index()[list(_EVIDENCE)]
    excess = found["dirty_looks"] - found["expected_looks"]
    return found.iloc[np.argsort(-excess.to_numpy(float), kind="stable")].reset_index(drop=True)


def by_season(cluster: Ints, looks: pd.DataFrame, share: Floats) -> pd.DataFrame:
    """Return what was found and expected of each cluster by year and quarter.

    Parameters
    ----------
    cluster, looks, share
        As for :func:`evidence`.

    Returns
    -------
    pandas.DataFrame
        ``cluster``, ``year``, ``quarter``, ``looks``, ``dirty_looks``, ``expected_looks``; only
        quarters in which somebody looked.
    """
    at = looks["vault"].to_numpy()
    told = looks.assign(cluster=cluster[at], expected=share[at])
    groups = told[told["cluster"] >= 0].groupby(["cluster", "year", "quarter"])
    return groups.agg(
        looks=("vault", "size"), dirty_looks=("is_dirty", "sum"), expected_looks=("expected", "sum")
    ).reset_index()


def _in_words(looks: pd.DataFrame, by: str) -> pd.Series[str]:
    """Return in words what was found and expected in each part, by cluster."""
    sums = looks.groupby(["cluster", by]).agg(
        dirty=("is_dirty", "sum"), looks=("is_dirty", "size"), expected=("expected", "sum")
    )
    words = [
        f"{part}: {row.dirty} of {row.looks} ({row.expected:.1f} expected)"
        for (_, part), row in zip(sums.index, sums.itertuples(), strict=True)
    ]
    parts = pd.Series(words, index=sums.index.get_level_values(0), dtype="str")
    return parts.groupby(level=0).agg("; ".join)


def candidate_causes(cluster: Ints, wanted: Sequence[int], columns: Floats, fit: Fit) -> list[str]:
    """Return for each cluster what is more common there and goes with dirt in the whole fleet.

    A cause's part is its weight in the fleet's regression times how much more common it is in the
    cluster; the largest are named, in log odds. That they go together is no proof.
    """
    usual = columns.mean(axis=0)
    inside = cluster >= 0
    count = np.bincount(cluster[inside])
    sums = [np.bincount(cluster[inside], weights=column[inside]) for column in columns.T]
    told = []
    for number in wanted:
        more = np.array([column[number] for column in sums]) / count[number] - usual
        part = fit.weight * more
        order = np.argsort(-part, kind="stable")[:_MOST_CAUSES]
        named = [at for at in order if part[at] > _LEAST_CAUSE and more[at] > 0]
        words = [f"{fit.names[at]} (+{part[at]:.2f})" for at in named]
        told.append("; ".join(words))
    return told
