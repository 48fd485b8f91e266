"""Receiving waters and the waters they run into."""

from __future__ import annotations

import pandas as pd


def waters_passed(receiving_waters: pd.DataFrame) -> pd.Series[str]:
    """Return, for each water, the waters passed from it down, itself first, joined with ``;``.

    Parameters
    ----------
    receiving_waters
        water_id, downstream_water_id. A circle of waters is gone round once; a water below that
        the table does not list is the last one named.

    Examples
    --------
    >>> waters_passed(pd.DataFrame({"water_id": ["creek", "bay"],
    ...                             "downstream_water_id": ["bay", None]})).to_dict()
    {'creek': 'creek;bay', 'bay': 'bay'}
    """
    known = receiving_waters.dropna(subset=["water_id"])
    below = dict(zip(known["water_id"], known["downstream_water_id"], strict=True))
    chains: dict[str, str] = {}
    for water_id in below:
        chain: dict[str, None] = {}
        here = water_id
        while isinstance(here, str) and here not in chain:
            chain[here] = None
            here = below.get(here)
        chains[water_id] = ";".join(chain)
    return pd.Series(chains, dtype="str")


def waters_of_outfalls(outfalls: pd.DataFrame, receiving_waters: pd.DataFrame) -> pd.Series[str]:
    """Return, by ``outfall_id``, the waters passed from there down, joined with ``;``.

    Blank where an outfall names no water that is listed.
    """
    passed = outfalls["water_id"].map(waters_passed(receiving_waters))
    return pd.Series(passed.to_numpy(dtype=object), outfalls["outfall_id"], dtype="str")
