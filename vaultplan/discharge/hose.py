"""Pressure lost in a hose, and how far a pump can push water through it.

References
----------
Fire-service friction formula ``FL = C (Q / 100)^2 (L / 100)`` psi, with the coefficients in use for
rubber-lined hose, as in texts of the International Fire Service Training Association (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from vaultplan.errors import SettingsError

#: Friction coefficient by inside diameter (in).
COEFFICIENTS: Final[Mapping[float, float]] = {
    1.5: 24.0,
    1.75: 15.5,
    2.0: 8.0,
    2.5: 2.0,
    3.0: 0.677,
    3.5: 0.34,
    4.0: 0.2,
    5.0: 0.08,
}


def friction_psi(diameter_in: float, flow_gpm: float, length_ft: float) -> float:
    """Return the pressure lost along a hose.

    Raises
    ------
    SettingsError
        If no coefficient is known for the diameter.

    >>> friction_psi(2.0, 150.0, 100.0)
    18.0
    """
    if diameter_in not in COEFFICIENTS:
        known = ", ".join(f"{size:g}" for size in COEFFICIENTS)
        raise SettingsError(f"no friction is known for a {diameter_in:g} in hose; known: {known}")
    return COEFFICIENTS[diameter_in] * (flow_gpm / 100.0) ** 2 * length_ft / 100.0


def longest_run_ft(
    diameter_in: float, flow_gpm: float, pump_psi: float, lift_ft: float = 0.0
) -> float:
    """Return the longest hose a pump can push a flow through, lifting it as well; 0 if none.

    A foot of water is 0.433 psi (common practice).
    """
    left = pump_psi - 0.433 * lift_ft
    if left <= 0.0:
        return 0.0
    return 100.0 * left / friction_psi(diameter_in, flow_gpm, 100.0)
