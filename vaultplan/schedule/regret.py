"""Which plan to hold to while the rain outlook is in doubt: the one that is regretted least."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import Frames
from vaultplan.settings import ScheduleSettings

Bools = npt.NDArray[np.bool_]

#: Differences below this share of the least cost are the solver's own and count as none.
_GRAIN: Final = 0.01
_COLUMNS: Final = (
    "plan", "cost_if_dry_usd", "cost_if_wet_usd", "mean_cost_usd", "most_regret_usd",
    "mean_regret_usd", "is_chosen",
)  # fmt: skip


def regrets(
    plans: Mapping[str, Frames],
    wet: Mapping[tuple[str, pd.Timestamp], Bools],
    trucks: pd.DataFrame,
    *,
    settings: ScheduleSettings,
) -> pd.DataFrame:
    """Return what each of several plans costs in every member of the outlook, and which to choose.

    Parameters
    ----------
    plans
        ``plan_jobs``, ``plan_stops`` and ``plan_unserved`` of each plan by its name.
    wet
        Whether each member makes a vault's day too wet to discharge: an array over members by
        vault and day. What is not in it is dry in all.
    trucks
        Table ``trucks``, for what an hour costs.
    settings
        ``crew_usd_per_hour`` where a truck states nothing, ``setup_minutes``, ``repeat_minutes``,
        ``job_worth_minutes``.

    Returns
    -------
    pandas.DataFrame
        A row per plan: ``plan``; ``cost_if_dry_usd`` where no member is wet, ``cost_if_wet_usd``
        in its dearest member, ``mean_cost_usd``; ``most_regret_usd`` and ``mean_regret_usd`` over
        the members; ``is_chosen``. The chosen one has the least greatest regret, of several the
        least mean one, then the first named; a hundredth of the least cost tells no two apart.

    Notes
    -----
    In a member, a plan costs the hours of its trucks, and for each job it leaves out the worth of
    an ordinary job in driving; a stop whose discharge the rain forbids is lost as well: its drive
    and setup were for nothing, and it costs a visit more (``repeat_minutes``). Regret is the cost
    beyond that of the plan that would have been the best in that member (L. J. Savage (1951), The
    theory of statistical decision, Journal of the American Statistical Association 46(253), 55-67,
    doi:10.1080/01621459.1951.10500768). Members count alike.
    """
    members = max((len(flags) for flags in wet.values()), default=1)
    rate = trucks.set_index("truck_id")["usd_per_hour"].astype("float64")
    rate = rate.fillna(settings.crew_usd_per_hour)
    names = list(plans)
    cost = np.zeros((len(names), members))
    dry = np.zeros(len(names))
    for row, name in enumerate(names):
        dry[row] = _hours_usd(plans[name], rate, settings)
        cost[row] = dry[row] + _lost_usd(plans[name], wet, rate, settings, members)
    regret = cost - cost.min(axis=0)
    grain = _GRAIN * max(float(cost.min()), 1.0) if names else 1.0
    worst, mean = (np.floor(of / grain + 1e-9) for of in (regret.max(axis=1), regret.mean(axis=1)))
    order = np.lexsort((np.arange(len(names)), mean, worst))
    chosen = np.arange(len(names)) == order[0] if names else np.zeros(0, dtype=bool)
    columns = (
        names, dry, cost.max(axis=1), cost.mean(axis=1), regret.max(axis=1), regret.mean(axis=1),
        chosen,
    )  # fmt: skip
    return pd.DataFrame(dict(zip(_COLUMNS, columns, strict=True)))


def _hours_usd(plan: Frames, rate: pd.Series[Any], settings: ScheduleSettings) -> float:
    """Return what the trucks' hours and the jobs left out cost."""
    stops = plan["plan_stops"]
    total = 0.0
    for (truck, _), tour in stops.sort_values("stop_number").groupby(["truck_id", "on"]):
        first = tour.iloc[0]
        out = first["arrive_at"] - pd.Timedelta(minutes=float(first["drive_minutes"] or 0.0))
        hours = (tour["leave_at"].max() - out).total_seconds() / 3600.0
        total += hours * float(rate.get(truck, settings.crew_usd_per_hour))
    left = int(plan["plan_unserved"]["outcome"].isin(["not_scheduled", "held"]).sum())
    return total + left * settings.job_worth_minutes / 60.0 * settings.crew_usd_per_hour


def _lost_usd(
    plan: Frames,
    wet: Mapping[tuple[str, pd.Timestamp], Bools],
    rate: pd.Series[Any],
    settings: ScheduleSettings,
    members: int,
) -> npt.NDArray[np.float64]:
    """Return what the stops cost, member by member, that the rain turns back."""
    lost = np.zeros(members)
    stops: Any = plan["plan_stops"]
    for stop in stops[stops["kind"] == "pump_out"].itertuples():
        flags = wet.get((stop.vault_id, stop.on))
        if flags is not None:
            minutes = float(stop.drive_minutes or 0.0) + settings.setup_minutes
            minutes += settings.repeat_minutes
            usd = float(rate.get(stop.truck_id, settings.crew_usd_per_hour))
            lost[: len(flags)] += flags * minutes / 60.0 * usd
    return lost
