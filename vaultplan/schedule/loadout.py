"""What each truck takes along on a day, so that it seldom runs out, all its stops together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import ScheduleError
from vaultplan.schedule.pumping import pump_out
from vaultplan.schema import Frames, table
from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_MG_L, LB_PER_GAL_WATER

Floats = npt.NDArray[np.float64]
Row: TypeAlias = dict[str, Any]

#: Weight of sediment over that of water, as of quartz; common practice, no source.
SEDIMENT_GRAVITY: Final = 2.65
_PROFILES: Final = {
    "sediment": "water with sediment",
    "oily": "oily water",
    "pcb": "water that may hold PCB",
    "unknown": "water of unknown waste",
}
_SHOWN: Final = 3


def plan_loads(
    frames: Frames,
    volume_gal: Floats,
    order_ids: Sequence[str],
    *,
    solids_mg_l: Floats | None = None,
    settings: ScheduleSettings,
) -> pd.DataFrame:
    """Return table ``plan_loads``: what each truck takes along on each of its days.

    Parameters
    ----------
    frames
        ``plan_stops``, ``plan_jobs``, ``trucks``, and ``traces`` for ``gutter_ft`` if there is one.
    volume_gal
        Joint draws of the water in each job's vault on its day, (draws, jobs): stops that share the
        rain share it within a draw.
    order_ids
        Orders of the columns of the draws.
    solids_mg_l
        Draws of the solids in it, of the same shape. Without, each job has its ``solids_mg_l`` of
        ``plan_jobs`` in all draws, and none where that is blank, which the reason tells.
    settings
        ``run_out_prob``, ``hose_spare_ft``, ``drum_socks``, and those of
        :func:`vaultplan.schedule.pumping.pump_out`.

    Returns
    -------
    pandas.DataFrame
        Crews: ``filter_sock``, ``drum``, ``pump_time`` (min) and ``hose`` (ft). Vacuum trucks:
        ``pump_time``, and for each trip between dumps ``vacuum_load`` (gal) and ``vacuum_weight``
        (lb). ``quantity`` is what suffices in half of the draws, for hose the longest way to an
        inlet. ``spare`` is what is carried beyond it; for a vacuum truck the room left in tank and
        payload, 0 if none is. ``prob_short`` is the share of draws in which they do not last.

    Raises
    ------
    ScheduleError
        If the draws do not fit the orders, hold a blank, or lack an order of the plan.

    Notes
    -----
    A chance constraint on the whole day (A. Charnes and W. W. Cooper (1959), Chance-constrained
    programming, Management Science 6(1):73-79, doi:10.1287/mnsc.6.1.73): quantity and spare
    together are the smallest load that runs out in no more than ``run_out_prob`` of the
    draws, the quantile of the sum within a draw. A sum of the stops' own quantiles is as a rule too
    much, unless they move as one.

    Drums, assumed: used socks of water that may be oily are kept apart from others, so many to a
    drum; water may be oily unless its waste profile is ``sediment``.

    A gallon weighs 8.34 lb, and with C mg/L of solids ``C * 8.345e-6 * (1 - 1 / 2.65)`` more, as
    they take the water's place. Sludge that a truck sucks off the floor is not in the draws.
    """
    draws = _joint(frames["plan_jobs"], volume_gal, order_ids, solids_mg_l)
    stops = frames["plan_stops"].sort_values(["truck_id", "on", "stop_number"])
    gutters = frames["traces"] if "traces" in frames else table("traces").empty()
    gutter_ft = gutters.drop_duplicates("vault_id").set_index("vault_id")["gutter_ft"]
    trucks = {str(truck["truck_id"]): truck for _, truck in frames["trucks"].iterrows()}
    jobs = frames["plan_jobs"].set_index("order_id")
    rows: list[Row] = []
    for key, part in stops.groupby(["plan_id", "truck_id", "on"], sort=False):
        plan_id, truck_id, on = key
        truck = trucks.get(str(truck_id))
        if truck is None:
            raise ScheduleError(f"truck {truck_id} of the plan is not in trucks; load it")
        day = _Day(part, jobs, truck, draws, gutter_ft, settings)
        loads = day.vacuum() if truck["kind"] == "vacuum" else day.crew()
        rows += [{"plan_id": plan_id, "truck_id": truck_id, "on": on} | row for row in loads]
    if not rows:
        return table("plan_loads").empty()
    return table("plan_loads").conform(pd.DataFrame(rows))


def enough(need: Floats, prob: float) -> float:
    """Return the smallest of the draws that no more than a share of them exceeds.

    >>> enough(np.array([1.0, 4.0, 2.0, 3.0]), 0.25), enough(np.array([1.0, 4.0, 2.0, 3.0]), 0.24)
    (3.0, 4.0)
    """
    above = min(int(np.floor(prob * len(need) + 1e-9)), len(need) - 1)
    return float(np.sort(need)[len(need) - 1 - above])


def lb_per_gal(solids_mg_l: Floats) -> Floats:
    """Return the weight of a gallon of water with so many solids in it.

    >>> lb_per_gal(np.array([0.0, 5000.0])).round(3).tolist()
    [8.34, 8.366]
    """
    return LB_PER_GAL_WATER + solids_mg_l * LB_PER_GAL_MG_L * (1.0 - 1.0 / SEDIMENT_GRAVITY)


@dataclass(frozen=True, slots=True)
class _Joint:
    """Draws of all jobs; ``is_guess`` where nothing is known of the solids."""

    order_ids: pd.Index
    volume_gal: Floats
    solids_mg_l: Floats
    is_guess: npt.NDArray[np.bool_]

    def at(self, orders: pd.Series[Any]) -> npt.NDArray[np.int64]:
        """Return the columns of orders."""
        found = self.order_ids.get_indexer(pd.Index(orders))
        if (found < 0).any():
            lost = ", ".join(orders[found < 0].astype(str).head(_SHOWN))
            raise ScheduleError(f"no draws of the water for order(s) {lost}; forecast them first")
        return np.asarray(found, np.int64)


def _joint(
    jobs: pd.DataFrame, volume_gal: Floats, order_ids: Sequence[str], solids: Floats | None
) -> _Joint:
    named = pd.Index(order_ids)
    if volume_gal.ndim != 2 or not len(volume_gal) or volume_gal.shape[1] != len(named):
        raise ScheduleError(f"draws of shape {volume_gal.shape} for {len(named)} order(s)")
    if not named.is_unique:
        raise ScheduleError("an order has two columns of draws")
    is_guess = np.zeros(len(named), bool)
    if solids is None:
        known = jobs.set_index("order_id")["solids_mg_l"].reindex(named).to_numpy(float)
        is_guess = np.isnan(known)
        solids = np.broadcast_to(np.where(is_guess, 0.0, known), volume_gal.shape)
    if solids.shape != volume_gal.shape:
        raise ScheduleError(f"draws of {solids.shape} solids for {volume_gal.shape} gallons")
    blank = np.isnan(volume_gal).any(axis=0) | np.isnan(solids).any(axis=0)
    if blank.any():
        lost = ", ".join(named[np.flatnonzero(blank)].astype(str)[:_SHOWN])
        raise ScheduleError(f"blank draws of the water for order(s) {lost}; forecast them first")
    return _Joint(named, volume_gal, solids, is_guess)


class _Day:
    """One truck's day: its stops with their jobs, and the draws of its water."""

    def __init__(
        self,
        stops: pd.DataFrame,
        jobs: pd.DataFrame,
        truck: pd.Series[Any],
        draws: _Joint,
        gutter_ft: pd.Series[Any],
        settings: ScheduleSettings,
    ) -> None:
        is_dump = stops["kind"] == "dump"
        trip = is_dump.cumsum() + 1
        is_wet = stops["kind"].isin(["pump_out", "vacuum"])
        self.stops = pd.DataFrame(
            {
                "order_id": stops["order_id"],
                "trip": trip,
                "load_gal": stops["order_id"].map(jobs["load_gal"]),
                "solids_mg_l": stops["order_id"].map(jobs["solids_mg_l"]).fillna(0.0),
                "is_sock": stops["order_id"].map(jobs["method"]).eq("filter_sock"),
                "waste": stops["order_id"].map(jobs["waste_profile"]).fillna("unknown"),
                "gutter_ft": stops["vault_id"].map(gutter_ft),
            }
        )[is_wet]
        self.truck, self.settings = truck, settings
        at = draws.at(self.stops["order_id"])
        self.gallons, self.solids = draws.volume_gal[:, at], draws.solids_mg_l[:, at]
        self.guesses = draws.is_guess[at]
        gpm = truck["pump_gpm"]
        self.gpm = settings.pump_gpm if pd.isna(gpm) else float(gpm)
        self.minutes, self.socks = pump_out(
            self.gallons,
            self.solids,
            pump_gpm=self.gpm,
            through_sock=self.stops["is_sock"].to_numpy(bool),
            settings=settings,
        )

    def crew(self) -> Iterator[Row]:
        """Yield what a crew takes along."""
        if not len(self.stops):
            return
        is_sock = self.stops["is_sock"].to_numpy(bool)
        if is_sock.any():
            yield self._filter_socks(is_sock)
        is_oily = is_sock & (self.stops["waste"] != "sediment").to_numpy(bool)
        if is_oily.any():
            yield self._drums(is_oily)
        yield self._pump_time()
        yield self._hose()

    def vacuum(self) -> Iterator[Row]:
        """Yield what a vacuum truck takes up, trip by trip."""
        if not len(self.stops):
            return
        yield self._pump_time()
        pounds = self.gallons * lb_per_gal(self.solids)
        trips = self.stops["trip"].to_numpy(int)
        for number, trip in enumerate(sorted(set(trips.tolist())), start=1):
            chosen = trips == trip
            for item, unit, need, most in (
                ("vacuum_load", "gal", self.gallons, self.truck["tank_gal"]),
                ("vacuum_weight", "lb", pounds, self.truck["payload_lb"]),
            ):
                yield self._trip(item, unit, need[:, chosen].sum(axis=1), most, number, chosen)

    def _load(self, item: str, unit: str, need: Floats, reason: str) -> Row:
        """Return a load that falls short in no more draws than it may."""
        total = enough(need, self.settings.run_out_prob)
        quantity = min(enough(need, 0.5), total)
        short = float((need > total).mean())
        lasts = f"enough for all together in {1.0 - short:.1%} of {len(need):,} draws"
        return {
            "item": item,
            "trip": 0,
            "quantity": quantity,
            "unit": unit,
            "spare": total - quantity,
            "prob_short": short,
            "reason": f"{reason}; {lasts}",
        }

    def _filter_socks(self, is_sock: npt.NDArray[np.bool_]) -> Row:
        need = self.socks[:, is_sock].sum(axis=1).astype(float)
        row = self._load("filter_sock", "count", need, f"{int(is_sock.sum())} sock stop(s)")
        second = (self.socks > 1).mean(axis=0)
        likely = np.flatnonzero(second > self.settings.run_out_prob)
        if len(likely):
            first = likely[np.argsort(-second[likely], kind="stable")][:_SHOWN]
            named = ", ".join(
                f"{self.stops['order_id'].iloc[at]} ({second[at]:.0%})" for at in first.tolist()
            )
            row["reason"] += f"; more than one sock at {named}"
        stock = self.truck["sock_count"]
        more = row["quantity"] + row["spare"] - (np.inf if pd.isna(stock) else float(stock))
        if more > 0:
            row["reason"] += f"; the truck has {int(stock)} as a rule, take {more:.0f} more"
        return self._told(row, is_sock)

    def _drums(self, is_oily: npt.NDArray[np.bool_]) -> Row:
        size = self.settings.drum_socks
        need = np.ceil(self.socks[:, is_oily].sum(axis=1) / size)
        what = f"used socks of {int(is_oily.sum())} stop(s) whose water may be oily, {size} a drum"
        return self._told(self._load("drum", "count", need, what), is_oily)

    def _pump_time(self) -> Row:
        planned = pump_out(
            self.stops["load_gal"].to_numpy(float),
            self.stops["solids_mg_l"].to_numpy(float),
            pump_gpm=self.gpm,
            through_sock=self.stops["is_sock"].to_numpy(bool),
            settings=self.settings,
        ).minutes.sum()
        need = self.minutes.sum(axis=1)
        what = (
            f"{len(self.stops)} stop(s), for which the plan has {planned:.0f} min; they take "
            f"longer in {float((need > planned + 1e-6).mean()):.1%}"
        )
        row = self._load("pump_time", "min", need, what)
        return self._told(row, self.stops["is_sock"].to_numpy(bool))

    def _hose(self) -> Row:
        ways = self.stops["gutter_ft"].to_numpy(float)
        unknown = int(np.isnan(ways).sum())
        quantity, reason = float("nan"), "no way to an inlet is known"
        if unknown < len(ways):
            at = int(np.nanargmax(ways))
            quantity = float(ways[at])
            reason = f"longest way to an inlet, at {self.stops['order_id'].iloc[at]}"
            if unknown:
                reason += f"; not known at {unknown} stop(s)"
        return {
            "item": "hose",
            "trip": 0,
            "quantity": quantity,
            "unit": "ft",
            "spare": self.settings.hose_spare_ft,
            "prob_short": float("nan"),
            "reason": reason,
        }

    def _trip(
        self,
        item: str,
        unit: str,
        need: Floats,
        most: Any,
        number: int,
        chosen: npt.NDArray[np.bool_],
    ) -> Row:
        half = enough(need, 0.5)
        wastes = self.stops.loc[chosen, "waste"].unique().tolist()
        reason = " and ".join(_PROFILES[waste] for waste in wastes)
        reason += f" of {int(chosen.sum())} stop(s)"
        spare = short = float("nan")
        what = "tank" if unit == "gal" else "payload"
        if pd.isna(most):
            reason += f"; the truck's {what} is not stated"
        else:
            spare, short = max(float(most) - half, 0.0), float((need > float(most)).mean())
            reason += f"; {what} {float(most):,.0f} {unit}"
            if short > self.settings.run_out_prob:
                reason += (
                    f", too little in {short:.1%} of {len(need):,} draws: more than the "
                    f"{self.settings.run_out_prob:.1%} allowed, dump on the way or split the trip"
                )
        row = {
            "item": item,
            "trip": number,
            "quantity": half,
            "unit": unit,
            "spare": spare,
            "prob_short": short,
            "reason": reason,
        }
        return self._told(row, chosen) if unit == "lb" else row

    def _told(self, row: Row, chosen: npt.NDArray[np.bool_]) -> Row:
        """Return the row, saying at how many of the chosen stops nothing is known of solids."""
        guesses = int((self.guesses & chosen).sum())
        if guesses:
            row["reason"] += f"; solids not known at {guesses} stop(s), taken as none"
        return row
