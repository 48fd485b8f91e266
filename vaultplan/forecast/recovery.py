"""How fast a level comes back: exponential recovery fitted to readings of one filling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Recovery:
    """A fitted recovery ``gap(t) = gap(0) * exp(slope * t)``, in the unit of time given.

    ``slope`` and ``intercept`` are of the free line through ``ln(gap / gap(0))``,
    ``slope_through_start`` of the line held to the first reading; ``time_constant`` is the time in
    which the gap falls to 1/e along that line.
    """

    slope: float
    intercept: float
    slope_through_start: float

    @property
    def time_constant(self) -> float:
        """Time in which the gap falls to 37 %."""
        return -1.0 / self.slope_through_start


def fit_recovery(time: Floats, gap: Floats) -> Recovery:
    """Return the exponential recovery through readings of the gap to the level of rest.

    Parameters
    ----------
    time
        Since the first reading, in any unit.
    gap
        Level of rest less level, in any unit; positive, the first one at time 0.

    Raises
    ------
    ValueError
        If there are fewer than two readings or a gap is not positive.

    Notes
    -----
    ``ln(gap / gap(0)) = slope * t``: the linear reservoir of :mod:`vaultplan.forecast.volume`
    without rain, whose tau is ``-1 / slope``.

    References
    ----------
    M. J. Hvorslev (1951), Time lag and soil permeability in ground-water observations, US Army
    Corps of Engineers, Waterways Experiment Station, Bulletin 36.

    Examples
    --------
    >>> round(fit_recovery(np.array([0.0, 10.0, 20.0]), np.array([8.0, 4.0, 2.0])).slope, 5)
    -0.06931
    """
    if len(time) < 2 or (gap <= 0).any():
        raise ValueError("a recovery needs two or more readings, each short of the level of rest")
    fallen = np.log(gap / gap[0])
    slope, intercept = np.polyfit(time, fallen, 1)
    through = float((time * fallen).sum() / (time * time).sum())
    return Recovery(float(slope), float(intercept), through)
