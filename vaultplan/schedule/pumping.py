"""How long a pump-out takes: gallons over the pump's rate, slower as a filter sock fills."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_MG_L

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: A sock this near to full, as a share of its capacity, is full; the next one is not begun.
_SAME: Final = 1e-9


class PumpOut(NamedTuple):
    """Minutes that the pump runs, changes of socks included, and the socks it takes."""

    minutes: Floats
    socks: Ints


def pump_out(
    volume_gal: npt.ArrayLike,
    solids_mg_l: npt.ArrayLike,
    *,
    pump_gpm: npt.ArrayLike,
    through_sock: npt.ArrayLike,
    settings: ScheduleSettings,
) -> PumpOut:
    """Return minutes and filter socks of pump-outs, elementwise.

    Parameters
    ----------
    volume_gal
        Water to pump; the arguments are brought to one shape as numpy does, so a row of jobs goes
        with a table of draws (draws, jobs).
    solids_mg_l
        Solids in it.
    pump_gpm
        Rate of the truck's pump, above 0.
    through_sock
        Whether the water goes through a filter sock; without one it takes volume over rate.
    settings
        ``sock_gpm``, ``sock_least_gpm``, ``sock_capacity_lb``, ``sock_change_minutes``.

    Returns
    -------
    PumpOut
        ``minutes`` and ``socks``; both 0 where there is no water.

    Notes
    -----
    A sock catches every pound of solids, ``gal * mg/L * 8.345e-6``. Empty it passes ``sock_gpm``;
    as its load goes from nothing to its capacity C the rate falls along a straight line to
    ``sock_least_gpm`` (never more than ``sock_gpm``), and the pump may be slower than either. At C
    it is changed, if there is more to pump. Load and gallons grow together, so one sock that ends
    at the share u of C takes, with Q the rate in gal/min, ::

        minutes = gal / u * integral of dx / Q(x) from 0 to u,   Q(x) = Q0 - (Q0 - Q1) x
                = gal / (u (Q0 - Q1)) * ln(Q0 / (Q0 - (Q0 - Q1) u))

    where the pump keeps up, and ``gal / pump_gpm`` as long as it is the slower one.

    By hand: 1,000 gal from 125 gal/min down to 100, and solids that just fill one sock: 1000 / 25 *
    ln(1.25) = 8.926 minutes. A straight line of 1/Q, as in constant-pressure cake filtration
    (textbook, from memory), would give 1000 * (1/125 + 1/100) / 2 = 9.0.

    More gallons never take less time. More solids in the same gallons take more time as long as
    one sock lasts; beyond, the last sock is fresh for part of the water, and the pumping itself can
    be up to 2 % shorter (of these rates) before the next change.

    Examples
    --------
    >>> from vaultplan.settings import ScheduleSettings
    >>> full = 5.0 / (1000 * 8.3454e-6)
    >>> told = pump_out([1000.0, 1000.0], [0.0, full - 0.01], pump_gpm=150.0, through_sock=True,
    ...     settings=ScheduleSettings(sock_gpm=125, sock_least_gpm=100, sock_capacity_lb=5))
    >>> told.minutes.round(2).tolist(), told.socks.tolist()
    ([8.0, 8.93], [1, 1])
    """
    gallons, solids, pump, is_sock = np.broadcast_arrays(
        np.asarray(volume_gal, float),
        np.asarray(solids_mg_l, float),
        np.asarray(pump_gpm, float),
        np.asarray(through_sock, bool),
    )
    fills = gallons * solids * (LB_PER_GAL_MG_L / settings.sock_capacity_lb)
    used = np.where(gallons > 0.0, np.maximum(np.ceil(fills - _SAME), 1.0), 0.0)
    full = np.maximum(used - 1.0, 0.0)
    last = np.clip(fills - full, 0.0, 1.0)
    whole, part = _slowness(np.ones_like(last), pump, settings), _slowness(last, pump, settings)
    share = np.where(full > 0.0, full / np.where(full > 0.0, full + last, 1.0), 0.0)
    through = gallons * (share * whole + (1.0 - share) * part)
    minutes = np.where(is_sock, through + full * settings.sock_change_minutes, gallons / pump)
    return PumpOut(minutes, np.where(is_sock, used, 0.0).astype(np.int64))


def _slowness(load: Floats, pump: Floats, settings: ScheduleSettings) -> Floats:
    """Return mean minutes per gallon of a sock while its load goes from 0 to a share of full."""
    first = settings.sock_gpm
    fall = first - settings.sock_least_gpm
    start = np.minimum(pump, first)
    free = np.clip((first - start) / fall, 0.0, 1.0) if fall > 0.0 else np.ones_like(start)
    beyond = np.maximum(load - free, 0.0)
    sunk = fall * beyond / start
    steep = np.where(sunk > 0.0, sunk, 1.0)
    more = np.where(sunk > 0.0, -np.log1p(-np.where(sunk > 0.0, sunk, 0.0)) / steep, 1.0)
    bound = np.where(load > 0.0, beyond / np.where(load > 0.0, load, 1.0), 0.0)
    slow: Floats = (1.0 - bound + bound * more) / start
    return slow


def sock_need(
    order_ids: pd.Index,
    volume_gal: Floats,
    solids_mg_l: Floats,
    reckoned: npt.ArrayLike,
    *,
    settings: ScheduleSettings,
) -> pd.DataFrame:
    """Return the chance that each sock job needs more filter socks than are reckoned with.

    Parameters
    ----------
    order_ids
        Orders of the columns of the draws.
    volume_gal, solids_mg_l
        Joint draws, (draws, orders).
    reckoned
        Socks reckoned with for each order; 1 for the chance of a second sock.

    Returns
    -------
    pandas.DataFrame
        ``order_id``; ``socks``: what is reckoned with; ``prob_second_sock``: share of the draws in
        which these do not last.
    """
    socks = np.broadcast_to(np.asarray(reckoned, np.int64), volume_gal.shape[1:])
    need = pump_out(
        volume_gal, solids_mg_l, pump_gpm=1.0, through_sock=True, settings=settings
    ).socks
    return pd.DataFrame(
        {
            "order_id": order_ids.to_numpy(),
            "socks": socks.copy(),
            "prob_second_sock": (need > socks).mean(axis=0),
        }
    )
