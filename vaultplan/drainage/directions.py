"""Which way water runs in each pipe: by its node pair, its invert levels and its drawing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray
from vaultplan.drainage.places import Claims

#: A rise in the stated direction that is no mere slip of the level; assumed.
RISE_FT: Final = 0.1
#: Places closer than this, in units of the map, are the same; assumed.
SAME_PLACE: Final = 0.5


@dataclass(frozen=True, slots=True)
class Directed:
    """Both end nodes of every pipe as the water runs.

    ``is_turned`` pipes run against their node pair, as both levels and drawing say;
    ``is_doubtful`` ones keep it though one of the two speaks against it.
    """

    start: IntArray
    stop: IntArray
    is_turned: BoolArray
    is_doubtful: BoolArray


def directed(pipes: pd.DataFrame, start: IntArray, stop: IntArray, claims: Claims) -> Directed:
    """Return which way each pipe runs.

    Parameters
    ----------
    pipes
        ``from_invert_ft`` and ``to_invert_ft`` where known; blank levels say nothing. Levels of a
        force main say nothing either: its water is pumped.
    start, stop
        Positions of ``from_node`` and ``to_node``; -1 where blank.
    claims
        Where nodes lie, to tell how the pipe is drawn.
    """
    rise = _inverts(pipes, "to_invert_ft") - _inverts(pipes, "from_invert_ft")
    is_pumped = pipes["kind"].eq("force_main") if "kind" in pipes else pd.Series(False, pipes.index)
    with np.errstate(invalid="ignore"):
        uphill = (rise > RISE_FT) & ~is_pumped.fillna(value=False).to_numpy(bool)
    backward = claims.drawn_backward(SAME_PLACE)
    turned = uphill & backward & (start >= 0) & (stop >= 0)
    return Directed(
        start=np.where(turned, stop, start),
        stop=np.where(turned, start, stop),
        is_turned=turned,
        is_doubtful=uphill ^ backward,
    )


def _inverts(pipes: pd.DataFrame, name: str) -> FloatArray:
    if name not in pipes:
        return np.full(len(pipes), np.nan)
    return pipes[name].to_numpy(dtype=np.float64, na_value=np.nan)
