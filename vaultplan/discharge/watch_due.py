"""What the specialist has to see to: notices due, overrides that end, orders held or referred."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vaultplan.geometry import feet_per_unit
from vaultplan.schema import Frames, table
from vaultplan.settings import DischargeSettings

ENDING_DAYS: Final = 14
_INTAKE_USES: Final = r"drink|potable|intake"
_KEPT_BACK: Final = ("held", "referred")


def notice_reasons(
    receiving_waters: gpd.GeoDataFrame,
    sensitive_areas: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    settings: DischargeSettings,
) -> pd.Series[Any]:
    """Return why a discharge to each water asks for notice, by water_id; blank where it does not.

    A water asks for it that is protected or outstanding, that people drink from, or that a
    drinking intake touches or has near one of its outfalls. So does one whose protection nobody
    stated: not known is not the same as none.
    """
    ids = receiving_waters["water_id"]
    intakes = sensitive_areas[sensitive_areas["kind"].eq("drinking_intake")]
    names = intakes["name"].fillna(intakes["area_id"]).to_numpy(dtype=object)
    touching: dict[str, list[str]] = {}
    if len(intakes) and len(receiving_waters):
        tree = shapely.STRtree(intakes.geometry.to_numpy())
        at, area = tree.query(receiving_waters.geometry.to_numpy(), predicate="intersects")
        pairs = list(zip(ids.to_numpy()[at], names[area], strict=True))
        if len(outfalls):
            reach = settings.near_sensitive_ft / feet_per_unit(outfalls)
            places = outfalls.geometry.to_numpy()
            at, area = tree.query(places, predicate="dwithin", distance=reach)
            pairs += zip(outfalls["water_id"].to_numpy()[at], names[area], strict=True)
        for water, name in sorted((str(w), str(n)) for w, n in pairs if pd.notna(w)):
            if name not in touching.setdefault(water, []):
                touching[water].append(name)
    status = receiving_waters["protection"]
    drinks = receiving_waters["uses"].fillna("").str.lower().str.contains(_INTAKE_USES)
    said = []
    for water, protection, is_drunk in zip(ids, status, drinks, strict=True):
        why = [
            *([str(protection)] if protection in ("protected", "outstanding") else []),
            *(["its protection is not known"] if pd.isna(protection) else []),
            *(["used for drinking water"] if is_drunk else []),
            *(f"drinking intake {name}" for name in touching.get(str(water), [])),
        ]
        said.append("; ".join(why))
    return pd.Series(said, index=pd.Index(ids.to_numpy()), dtype="str")


def notices_due(
    listed: pd.DataFrame, reasons: pd.Series[Any], *, as_of: pd.Timestamp, notice_days: int
) -> pd.DataFrame:
    """Return the notices that the planned discharges ask for, by the day they are due.

    Parameters
    ----------
    listed
        From :func:`vaultplan.discharge.watch.watch_list`.
    reasons
        From :func:`notice_reasons`.
    as_of
        Day that is today to the reader.
    notice_days
        Days before the discharge that a notice is due.

    Returns
    -------
    pandas.DataFrame
        A row per water and day of discharge: due_on, state in words, is_overdue, water_id, water,
        on, discharges, outfalls, why. Nobody is told by this program: whether and whom to notify,
        the permit says.
    """
    why = listed["water_id"].map(reasons).fillna("")
    asked = listed.assign(why=why)[why.ne("")]
    columns = ["due_on", "state", "is_overdue", "water_id", "water", "on", "discharges", "outfalls"]
    if asked.empty:
        return pd.DataFrame(columns=[*columns, "why"])
    found = asked.groupby(["water_id", "water", "on", "why"], as_index=False).agg(
        discharges=("vault_id", "size"),
        outfalls=("outfall_id", lambda ids: ", ".join(sorted(set(ids.dropna())))),
    )
    found["due_on"] = found["on"] - pd.Timedelta(days=notice_days)
    left = (found["due_on"] - pd.Timestamp(as_of).normalize()).dt.days
    found["is_overdue"] = left < 0
    found["state"] = [_due_words(days) for days in left]
    found = found.sort_values(["due_on", "on", "water", "water_id"], ignore_index=True)
    return found[[*columns, "why"]]


def stop_notices(frames: Frames, settings: DischargeSettings, *, notice_days: int) -> pd.DataFrame:
    """Return the notices that each planned discharge asks for, for the crew's own sheet.

    Tables required: plan_stops, outfalls, receiving_waters, sensitive_areas, and ``reached`` from
    :func:`vaultplan.discharge.watch.reaches`.

    Returns
    -------
    pandas.DataFrame
        A row per vault, day and water: vault_id, on, water_id, water, why, due_on.
    """
    stops, waters = frames["plan_stops"], gpd.GeoDataFrame(frames["receiving_waters"])
    pumped = stops.loc[stops["kind"].eq("pump_out"), ["vault_id", "on"]].drop_duplicates()
    places = gpd.GeoDataFrame(frames["sensitive_areas"]), gpd.GeoDataFrame(frames["outfalls"])
    why = notice_reasons(waters, *places, settings)
    ends = frames["reached"][["vault_id", "water_id"]].dropna().drop_duplicates()
    found = pumped.merge(ends, on="vault_id")
    found["why"] = found["water_id"].map(why).fillna("")
    found = found[found["why"].ne("")].reset_index(drop=True)
    names = waters.set_index("water_id")["name"]
    found["water"] = found["water_id"].map(names).fillna(found["water_id"])
    found["due_on"] = found["on"] - pd.Timedelta(days=notice_days)
    columns = ["vault_id", "on", "water_id", "water", "why", "due_on"]
    return found.sort_values(["on", "vault_id", "water_id"], ignore_index=True)[columns]


def _due_words(days: int) -> str:
    """Return when a notice is due, seen from today.

    >>> _due_words(-2), _due_words(0), _due_words(1)
    ('OVERDUE by 2 days', 'due today', 'due in 1 day')
    """
    told = f"{abs(days)} day{'' if abs(days) == 1 else 's'}"
    if days < 0:
        return f"OVERDUE by {told}"
    return f"due in {told}" if days else "due today"


def kept_back(frames: Frames, reached: pd.DataFrame) -> pd.DataFrame:
    """Return the held and referred orders of the plan under each water they would reach.

    Columns returned: water_id, outcome, order_id, vault_id, outfall_id, way, reason.
    """
    left = pd.DataFrame(frames["plan_unserved"])
    left = left[left["outcome"].isin(_KEPT_BACK)]
    found = left.merge(reached, on="vault_id", how="left")
    columns = ["water_id", "outcome", "order_id", "vault_id", "outfall_id", "way", "reason"]
    return found[columns].sort_values(["water_id", "outcome", "order_id"], ignore_index=True)


def overrides_in_force(
    overrides: pd.DataFrame, reached: pd.DataFrame, *, as_of: pd.Timestamp
) -> pd.DataFrame:
    """Return the overrides in force on a day under each water that their vault's water reaches.

    Columns returned: water_id, override_id, vault_id, ladder, step, who, why, made_on, expires_on,
    and ``ends`` in words: those that end within 14 days say so.
    """
    day = pd.Timestamp(as_of).normalize()
    live = pd.DataFrame(overrides[overrides["made_on"].le(day) & overrides["expires_on"].ge(day)])
    left = (live["expires_on"] - day).dt.days
    soon = left.le(ENDING_DAYS)
    words = "ENDS in " + left.astype("str") + " days, on " + _iso(live["expires_on"])
    live = live.assign(
        is_ending=soon.to_numpy(), ends=words.where(soon, "holds until " + _iso(live["expires_on"]))
    )
    found = live.merge(reached[["vault_id", "water_id"]], on="vault_id", how="left")
    columns = [column.name for column in table("overrides").columns]
    order = ["water_id", "expires_on", "override_id"]
    return found[["water_id", *columns, "is_ending", "ends"]].sort_values(order, ignore_index=True)


def _iso(days: pd.Series[Any]) -> pd.Series[Any]:
    written: pd.Series[Any] = days.dt.strftime("%Y-%m-%d").astype("str")
    return written


def stale_layers(
    frames: Frames, *, as_of: pd.Timestamp, settings: DischargeSettings, water_ids: set[str]
) -> list[str]:
    """Return warnings about waters and sensitive areas that nobody confirmed lately.

    Parameters
    ----------
    frames
        Tables ``receiving_waters`` and ``sensitive_areas``.
    as_of
        Day the age is judged on.
    settings
        ``stale_layer_days``.
    water_ids
        Waters that are looked at.
    """
    oldest = pd.Timestamp(as_of).normalize() - pd.Timedelta(days=settings.stale_layer_days)
    told = []
    waters = frames["receiving_waters"]
    waters = waters[waters["water_id"].isin(water_ids)]
    areas = frames["sensitive_areas"]
    for kind, rows, name in (("waters", waters, "water_id"), ("sensitive areas", areas, "area_id")):
        dates = pd.to_datetime(rows["reviewed_on"])
        named = rows["name"].fillna(rows[name]).to_numpy(dtype=object)
        for what, is_so in (
            (f"No date says when these {kind} were confirmed", dates.isna()),
            (f"These {kind} were not confirmed since {oldest:%Y-%m-%d}", dates < oldest),
        ):
            found = [str(one) for one in named[np.asarray(is_so, dtype=bool)]]
            if found:
                more = f" and {len(found) - 6} more" if len(found) > 6 else ""
                told.append(f"{what}: {', '.join(found[:6])}{more}.")
    if not len(areas):
        told.append("No sensitive areas are loaded, so no water is known to be clear of them.")
    return told
