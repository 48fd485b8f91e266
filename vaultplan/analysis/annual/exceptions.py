"""What a reader of the yearly report is to look into: odd discharges, incidents, overrides."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.analysis.annual.book import COUNTED, OTHER_ENDS, UNKNOWN_WATER, tenths_of
from vaultplan.analysis.samples import results_of
from vaultplan.geometry import feet_per_unit
from vaultplan.schema import Frames
from vaultplan.settings import SampleSettings

#: Every exception, gravest first, in words.
EXCEPTIONS: Final = {
    "heavy_discharged": "heavy water went to the drain, or through a sock to it",
    "light_unfiltered": "light water went to the drain without a sock",
    "sheen_discharged": "water with an oil sheen went to the drain, or through a sock to it",
    "foam_discharged": "water with foam went to the drain, or through a sock to it",
    "near_incident": "water was discharged near a spill, fire or break, in its time",
    "over_cap": "the outfall got more than its daily cap that day",
    "in_rain": "water was discharged while it rained",
    "not_graded": "water was discharged, and no grade of it was noted",
    "unknown_water": "water was discharged, and nobody knows which water it reached",
    "no_water": "water was discharged, and ran to a sewer, dry well, plant or private drain",
    "inlet_not_listed": "the inlet noted is not in the table of inlets",
    "no_method": "water was removed, and it is not said how",
    "no_gallons": "water was removed, and nobody noted how much",
    "no_socks": "a sock was used, and nobody noted how many",
    "contradictory": "the visit contradicts itself: dry, or nothing removed, and yet water removed",
    "not_said": "water may have been removed, and it is not said whether",
}
BoolArray = npt.NDArray[np.bool_]


def with_exceptions(book: pd.DataFrame, frames: Frames, near: set[str]) -> pd.DataFrame:
    """Return the book with ``exceptions``, ids of ``EXCEPTIONS`` with ``;`` between them.

    Parameters
    ----------
    book
        From :func:`vaultplan.analysis.annual.book.year_book`.
    frames
        ``outfalls`` for their daily caps.
    near
        Visits near an incident in its time, from :func:`incidents_of_year`.

    Notes
    -----
    Every one is a question to a person, not a finding of fault: whether a rule was broken depends
    on the permit, and on what was known that day.
    """
    event = book["counted"].eq("pump-out").to_numpy(bool)
    out = book["method"].isin(["storm_drain", "filter_sock"]).to_numpy(bool)
    drain = book["method"].eq("storm_drain").to_numpy(bool)
    sock = book["method"].eq("filter_sock").to_numpy(bool)

    def yes(column: str) -> BoolArray:
        return book[column].eq(True).fillna(False).to_numpy(bool)

    grade = book["grade"]
    which: dict[str, BoolArray] = {
        "heavy_discharged": out & grade.eq("heavy").to_numpy(bool),
        "light_unfiltered": drain & grade.eq("light").to_numpy(bool),
        "sheen_discharged": out & yes("has_sheen"),
        "foam_discharged": out & yes("has_foam"),
        "near_incident": out & book["visit_id"].isin(near).to_numpy(bool),
        "over_cap": out & _over_cap(book, frames["outfalls"]),
        "in_rain": out & yes("was_raining"),
        "not_graded": out & grade.eq("unknown").to_numpy(bool),
        "unknown_water": out & book["water"].eq(UNKNOWN_WATER).to_numpy(bool),
        "no_water": out & book["water"].isin(list(OTHER_ENDS.values())).to_numpy(bool),
        "inlet_not_listed": out & book["inlet_is_known"].eq(False).fillna(False).to_numpy(bool),
        "no_method": event & book["method"].eq("unknown").to_numpy(bool),
        "no_gallons": event & book["tenths"].isna().to_numpy(),
        "no_socks": sock & book["socks_used"].isna().to_numpy(),
        "contradictory": book["is_contradictory"].to_numpy(bool),
        "not_said": book["counted"].eq(COUNTED[2]).to_numpy(bool),
    }
    told = np.full(len(book), "", dtype=object)
    for name in EXCEPTIONS:
        at = np.flatnonzero(which[name])
        told[at] = [f"{before};{name}" if before else name for before in told[at]]
    return book.assign(exceptions=pd.Series(told, book.index, dtype="str"))


def _over_cap(book: pd.DataFrame, outfalls: pd.DataFrame) -> BoolArray:
    """Return which discharges belong to a day on which their outfall got more than its cap."""
    caps = tenths_of(outfalls.set_index("outfall_id")["daily_cap_gal"].dropna())
    mine = book["outfall_id"].isin(caps.index) & book["tenths"].notna()
    by_day = book[mine].groupby(["outfall_id", "on"])["tenths"].transform("sum")
    over = by_day.astype("int64") > book.loc[mine, "outfall_id"].map(caps).astype("int64")
    return over.reindex(book.index, fill_value=False).to_numpy(bool)


def exception_counts(book: pd.DataFrame) -> pd.DataFrame:
    """Return exception, its words, visits and known tenths of a gallon; only those that occur."""
    rows = []
    told = book[book["exceptions"].ne("")]
    wrapped = ";" + told["exceptions"] + ";"
    for name, words in EXCEPTIONS.items():
        tenths = told.loc[wrapped.str.contains(f";{name};", regex=False), "tenths"]
        if len(tenths):
            rows.append((name, words, len(tenths), int(tenths.sum()), int(tenths.isna().sum())))
    names = ["exception", "words", "visits", "tenths", "unknown_visits"]
    return pd.DataFrame(rows, columns=names)


def incidents_of_year(
    book: pd.DataFrame, frames: Frames, *, year: int, incident_days: float
) -> tuple[pd.DataFrame, set[str]]:
    """Return the incidents that counted in a year, and the discharges near one in its time.

    Parameters
    ----------
    book
        From :func:`vaultplan.analysis.annual.book.year_book`.
    frames
        ``incidents`` and ``vaults``.
    incident_days
        An incident counts so long after it was declared over.

    Returns
    -------
    tuple
        incident_id, kind, happened_on, cleared_on, radius_ft, vaults (within the radius), pump_outs
        and discharges there in its time; and the visit ids of those discharges.
    """
    incidents = frames["incidents"]
    first, last = pd.Timestamp(year, 1, 1), pd.Timestamp(year, 12, 31)
    until = incidents["cleared_on"] + pd.Timedelta(days=incident_days)
    until = until.fillna(last)
    mine = (incidents["happened_on"] <= last) & (until >= first)
    told = incidents[mine].sort_values(["happened_on", "incident_id"], ignore_index=True)
    until = until[mine].reindex(incidents[mine].sort_values(["happened_on", "incident_id"]).index)
    vaults = gpd.GeoDataFrame(frames["vaults"])
    pairs = _within(told, vaults) if len(told) else np.zeros((2, 0), dtype=np.int64)
    joined = pd.DataFrame(
        {"row": pairs[0], "vault_id": vaults["vault_id"].to_numpy(dtype=object)[pairs[1]]}
    )
    events = book.loc[book["counted"].eq("pump-out"), ["visit_id", "vault_id", "on", "method"]]
    events = joined.merge(events, on="vault_id")
    row = events["row"].to_numpy(dtype=np.int64)
    begun, ended = told["happened_on"].to_numpy(), until.to_numpy()
    events = events[
        (events["on"].to_numpy() >= begun[row]) & (events["on"].to_numpy() <= ended[row])
    ]
    out = events[events["method"].isin(["storm_drain", "filter_sock"])]
    columns = ["incident_id", "kind", "happened_on", "cleared_on", "radius_ft"]
    told = pd.DataFrame(told[columns])
    for name, rows in (("vaults", joined), ("pump_outs", events), ("discharges", out)):
        told[name] = np.bincount(rows["row"].to_numpy(dtype=np.int64), minlength=len(told))
    return told, set(out["visit_id"])


def _within(incidents: pd.DataFrame, vaults: gpd.GeoDataFrame) -> npt.NDArray[Any]:
    tree = shapely.STRtree(vaults.geometry.to_numpy())
    reach = incidents["radius_ft"].to_numpy(float) / feet_per_unit(vaults)
    pairs: npt.NDArray[Any] = tree.query(
        gpd.GeoSeries(incidents["geometry"]).to_numpy(), predicate="dwithin", distance=reach
    )
    return pairs


def overrides_of_year(book: pd.DataFrame, overrides: pd.DataFrame, *, year: int) -> pd.DataFrame:
    """Return the overrides that were in force in a year, and what was pumped under them.

    Returns
    -------
    pandas.DataFrame
        override_id, vault_id, ladder, step, who, why, made_on, expires_on; pump_outs at that vault
        while it held, their known tenths and unknown_events.
    """
    first, last = pd.Timestamp(year, 1, 1), pd.Timestamp(year, 12, 31)
    mine = (overrides["made_on"] <= last) & (overrides["expires_on"] >= first)
    told = overrides[mine].sort_values(["made_on", "override_id"], ignore_index=True)
    events = book.loc[book["counted"].eq("pump-out"), ["vault_id", "on", "tenths"]]
    joined = told[["override_id", "vault_id", "made_on", "expires_on"]].merge(events, on="vault_id")
    joined = joined[joined["on"].between(joined["made_on"], joined["expires_on"])]
    by_id = joined.groupby("override_id")["tenths"].agg(
        pump_outs="size", tenths="sum", known="count"
    )
    told = told.join(by_id, on="override_id")
    for name in ("pump_outs", "tenths", "known"):
        told[name] = told[name].fillna(0).astype("int64")
    told["unknown_events"] = told["pump_outs"] - told["known"]
    return told.drop(columns="known")


def samples_of_year(
    frames: Frames, book: pd.DataFrame, settings: SampleSettings, time_zone: str
) -> pd.DataFrame:
    """Return characteristic, stage, results, visits, below (a limit), left_out, highest and unit.

    Parameters
    ----------
    frames
        ``samples`` and ``visits``.
    settings
        ``SampleSettings`` for holding times; results held too long are counted all the same.
    """
    samples = frames["samples"][frames["samples"]["visit_id"].isin(book["visit_id"])]
    names = ["characteristic", "stage", "results", "visits", "below", "left_out", "highest", "unit"]
    if samples.empty:
        return pd.DataFrame(columns=names)
    mine = frames["visits"][frames["visits"]["visit_id"].isin(samples["visit_id"])]
    found = results_of({"samples": samples, "visits": mine}, settings.holding_days, time_zone)
    rows = []
    found = found.assign(stage=found["stage"].fillna("not said"))
    for (name, stage), part in found.groupby(["characteristic", "stage"], sort=True):
        good = part[part["trouble"].isna() | part["trouble"].eq("")]
        seen = good.loc[~good["is_below"].astype(bool), "value"]
        units = good["unit"].dropna().unique()
        rows.append(
            (
                str(name),
                str(stage),
                len(part),
                part["visit_id"].nunique(),
                int(good["is_below"].astype(bool).sum()),
                len(part) - len(good),
                float(seen.max()) if len(seen) else np.nan,
                ", ".join(map(str, units)),
            )
        )
    return pd.DataFrame(rows, columns=names)


def overrides_by_visit(book: pd.DataFrame, overrides: pd.DataFrame) -> pd.Series[str]:
    """Return the ids of the overrides in force at each visit's vault that day; blank if none."""
    told = pd.Series("", index=book.index, dtype="str")
    mine = book.loc[book["vault_id"].isin(overrides["vault_id"]), ["vault_id", "on"]]
    joined = mine.reset_index(names="row").merge(
        overrides[["override_id", "vault_id", "made_on", "expires_on"]], on="vault_id"
    )
    joined = joined[joined["on"].between(joined["made_on"], joined["expires_on"])]
    if len(joined):
        ids = joined.sort_values("override_id").groupby("row")["override_id"].agg(";".join)
        told.loc[ids.index] = ids
    return told
