"""Whether the gutter can carry what a pump gives without water spreading into the lane.

References
----------
U.S. Federal Highway Administration (2024), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22 (HEC-22), 4th ed., FHWA-HIF-24-006, chapters 5 and 7; equations in customary units.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.settings import DischargeSettings
from vaultplan.units import factor_between

Floats = npt.NDArray[np.float64]

K_U, K_V = 0.56, 1.11  # of flow and velocity in ft and s
TO_SLOPE, TO_FLOW, TO_SPREAD, TO_VELOCITY = 1.67, 0.5, 2.67, 0.67  # as HEC-22 prints 5/3 and 8/3
CFS_PER_GPM: Final = float(factor_between("gal", "cuft")) / 60.0
GRAVITY: Final = 32.2  # ft/s2
_HALVINGS: Final = 60


def gutter_flow_cfs(spread_ft: Floats, cross_slope: Floats, slope: Floats, n: float) -> Floats:
    """Return what a gutter of triangular section carries: HEC-22, chapter 5.

    ``Q = (0.56 / n) Sx^1.67 SL^0.5 T^2.67``, slopes in ft per ft.
    """
    flow: Floats = K_U / n * cross_slope**TO_SLOPE * slope**TO_FLOW * spread_ft**TO_SPREAD
    return flow


def gutter_spread_ft(flow_cfs: Floats, cross_slope: Floats, slope: Floats, n: float) -> Floats:
    """Return how far water spreads from the curb: :func:`gutter_flow_cfs` turned round."""
    unit = K_U / n * cross_slope**TO_SLOPE * slope**TO_FLOW
    spread: Floats = (flow_cfs / unit) ** (1.0 / TO_SPREAD)
    return spread


def frontal_share(spread_ft: Floats, width_ft: float, slope_ratio: Floats | float = 1.0) -> Floats:
    """Return the share of the flow within a width of the curb, Eo: HEC-22, chapter 5.

    ``slope_ratio`` is the cross slope of that width over that of the street: 1 where it is even.
    """
    ratio = np.asarray(slope_ratio, dtype=np.float64)
    beyond = np.maximum(spread_ft / width_ft - 1.0, 1e-12)
    share: Floats = 1.0 / (1.0 + ratio / ((1.0 + ratio / beyond) ** TO_SPREAD - 1.0))
    return np.where(spread_ft <= width_ft, 1.0, share)


def composite_flow_cfs(
    spread_ft: Floats,
    *,
    cross_slope: float,
    slope: float,
    width_ft: float,
    depressed_in: float,
    n: float,
) -> tuple[Floats, Floats, Floats]:
    """Return flow, flow beyond the depressed gutter, and Eo of a composite gutter.

    Notes
    -----
    HEC-22, chapter 5: ``Sw = Sx + a / W``, the part beyond the depressed width carries as a
    triangle of spread ``T - W``, and ``Q = Qs / (1 - Eo)``. While the water keeps within the
    depressed width it is a triangle of cross slope ``Sw``.
    """
    steep = cross_slope + depressed_in / 12.0 / width_ft
    within = gutter_flow_cfs(
        np.minimum(spread_ft, width_ft), np.asarray(steep), np.asarray(slope), n
    )
    beyond = gutter_flow_cfs(
        np.maximum(spread_ft - width_ft, 0.0), np.asarray(cross_slope), np.asarray(slope), n
    )
    share = frontal_share(spread_ft, width_ft, steep / cross_slope)
    # Just beyond the width the quotient is of two numbers near 0: the triangle is the lower bound.
    flow: Floats = np.maximum(beyond / np.maximum(1.0 - share, 1e-9), within)
    return flow, beyond, share


def composite_spread_ft(
    flow_cfs: float,
    *,
    cross_slope: float,
    slope: float,
    width_ft: float,
    depressed_in: float,
    n: float,
) -> float:
    """Return the spread at which a composite gutter carries a flow, by halving."""
    low, high = 0.0, 200.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        carried, _, _ = composite_flow_cfs(
            np.asarray(middle),
            cross_slope=cross_slope,
            slope=slope,
            width_ft=width_ft,
            depressed_in=depressed_in,
            n=n,
        )
        low, high = (middle, high) if carried < flow_cfs else (low, middle)
    return (low + high) / 2.0


def gutter_velocity_fps(
    spread_ft: Floats, cross_slope: Floats | float, slope: Floats | float, n: float
) -> Floats:
    """Return the velocity at one place, ``(1.11 / n) SL^0.5 Sx^0.67 T^0.67``: HEC-22, chapter 5."""
    velocity: Floats = np.asarray(
        K_V / n * slope**TO_FLOW * cross_slope**TO_VELOCITY * spread_ft**TO_VELOCITY
    )
    return velocity


def mean_velocity_fps(
    from_ft: float, to_ft: float, *, cross_slope: float, slope: float, n: float
) -> float:
    """Return the mean velocity in a gutter whose spread grows from one to another.

    Notes
    -----
    HEC-22, chapter 5: at the spread ``Ta = 0.65 T2 ((1 - (T1/T2)^2.67) / (1 - (T1/T2)^2))^1.5``,
    whose fraction tends to 2.67 / 2 as the spreads become equal.
    """
    ratio = from_ft / to_ft
    narrows = 1.0 - ratio**2
    of_powers = (1.0 - ratio**TO_SPREAD) / narrows if abs(narrows) > 1e-9 else TO_SPREAD / 2.0
    mean = 0.65 * to_ft * of_powers**1.5
    return float(gutter_velocity_fps(np.asarray(mean), cross_slope, slope, n))


def side_share(velocity_fps: float, cross_slope: float, length_ft: float) -> float:
    """Return the share of side flow that a grate takes in, Rs: HEC-22, chapter 7."""
    return float(1.0 / (1.0 + 0.15 * velocity_fps**1.8 / (cross_slope * length_ft**2.3)))


def grate_intake_cfs(flow_cfs: float, front: float, front_taken: float, side_taken: float) -> float:
    """Return what a grate on a slope takes in: HEC-22, chapter 7."""
    return float(flow_cfs * (front_taken * front + side_taken * (1.0 - front)))


def curb_opening_ft(flow_cfs: float, slope: float, equal_cross_slope: float, n: float) -> float:
    """Return the length of curb opening that takes in all of a flow: HEC-22, chapter 7."""
    return float(0.60 * flow_cfs**0.42 * slope**0.3 * (1.0 / (n * equal_cross_slope)) ** 0.6)


def sag_weir_cfs(perimeter_ft: float, depth_ft: float, weir: float) -> float:
    """Return what a grate in a low point takes in as a weir: ``Q = Cw sqrt(2g) P d^1.5``."""
    return float(weir * np.sqrt(2.0 * GRAVITY) * perimeter_ft * depth_ft**1.5)


def gutter_check(
    traces: pd.DataFrame, inlets: pd.DataFrame, settings: DischargeSettings
) -> pd.DataFrame:
    """Return, per vault, how far its pumped water would spread in the gutter, and for how long.

    Parameters
    ----------
    traces
        ``vault_id``, ``inlet_id``, ``gutter_ft``, and ``second_inlet_id`` where there is another.
    inlets
        ``inlet_id``, ``gutter_slope_frac``, ``cross_slope_frac``; a blank slope is taken as the
        flat ones of the settings, and told. A measured 0 is flat: water stands and spreads.
    settings
        ``pump_most_gpm``, ``gutter_n``, ``flat_gutter_frac``, ``flat_cross_frac``,
        ``most_spread_ft``.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``, ``gutter_spread_ft`` (the wider of both inlets), ``gutter_minutes`` to the
        first inlet, ``gutter_overflows`` and ``gutter_slope_assumed`` (at either inlet); the last
        two are blank where no inlet is known. A dry gutter is reckoned with: rain that runs in it
        comes on top.
    """
    first = _at_inlets(traces["inlet_id"], inlets, settings)
    spread, assumed = first["spread_ft"], first["assumed"]
    if "second_inlet_id" in traces:
        second = _at_inlets(traces["second_inlet_id"], inlets, settings)
        spread, assumed = np.fmax(spread, second["spread_ft"]), assumed | second["assumed"]
    known = ~np.isnan(first["spread_ft"])
    run = traces["gutter_ft"].to_numpy(dtype=float, na_value=np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        minutes = run / first["velocity_fps"] / 60.0
    told = {
        "gutter_overflows": spread > settings.most_spread_ft,
        "gutter_slope_assumed": assumed.astype(bool),
    }
    return pd.DataFrame(
        {
            "vault_id": traces["vault_id"].to_numpy(),
            "gutter_spread_ft": np.where(known, spread, np.nan),
            "gutter_minutes": np.where(known, minutes, np.nan),
            **{name: pd.Series(flag, dtype="boolean").mask(~known) for name, flag in told.items()},
        }
    )


def _at_inlets(
    inlet_id: pd.Series[Any], inlets: pd.DataFrame, settings: DischargeSettings
) -> dict[str, Any]:
    """Return spread and velocity in the gutter at some inlets, and whether a slope is assumed."""
    at = pd.Index(inlets["inlet_id"]).get_indexer(pd.Index(inlet_id.astype("str")))
    known = (at >= 0) & inlet_id.notna().to_numpy(bool)
    along, no_fall = _slope(inlets, "gutter_slope_frac", at, settings.flat_gutter_frac)
    across, no_cross = _slope(inlets, "cross_slope_frac", at, settings.flat_cross_frac)
    flow = np.full(len(at), settings.pump_most_gpm * CFS_PER_GPM)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = gutter_spread_ft(flow, across, along, settings.gutter_n)
        velocity = np.where(
            np.isinf(spread), 0.0, gutter_velocity_fps(spread, across, along, settings.gutter_n)
        )
    return {
        "spread_ft": np.where(known, spread, np.nan),
        "velocity_fps": np.where(known, velocity, np.nan),
        "assumed": known & (no_fall | no_cross),
    }


def _slope(
    inlets: pd.DataFrame, name: str, at: npt.NDArray[np.intp], flat: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    if not len(inlets):
        return np.full(len(at), flat), np.ones(len(at), dtype=bool)
    stated = inlets[name].to_numpy(dtype=float, na_value=np.nan)[at]
    missing = np.isnan(stated)
    return np.where(missing, flat, np.maximum(stated, 0.0)), missing
