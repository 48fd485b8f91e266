"""Everything the rules may ask about, gathered for each vault and day from the other tables."""

from __future__ import annotations

from datetime import date
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.discharge.concern import vaults_near_concern, vaults_near_incidents
from vaultplan.discharge.decide import decide
from vaultplan.discharge.fact_columns import FACTS
from vaultplan.discharge.gutter import gutter_check
from vaultplan.discharge.history import odd_water, water_history
from vaultplan.discharge.rain import gauges_with_outlook, wet_day_chance
from vaultplan.discharge.reached import places_reached
from vaultplan.discharge.rules import Rules, load_rules
from vaultplan.discharge.sensitivity import careful_waters, grade_outfalls
from vaultplan.discharge.ways import feet_to_sensitive, ways_of
from vaultplan.schema import Frames, table
from vaultplan.settings import DischargeSettings, Settings

_LEFT_OUT = ("method",)


def gather_facts(
    forecasts: pd.DataFrame,
    vaults: pd.DataFrame,
    visits: pd.DataFrame,
    traces: pd.DataFrame,
    outfall_grades: pd.DataFrame,
    near_concern: pd.DataFrame,
    rain_outlook: pd.DataFrame,
    *,
    reached: pd.DataFrame | None = None,
    gutters: pd.DataFrame | None = None,
    near_incidents: pd.DataFrame | None = None,
    careful: frozenset[str] = frozenset(),
    as_of: date,
    time_zone: str,
    settings: DischargeSettings,
) -> pd.DataFrame:
    """Return the facts of every vault and day that was forecast.

    Parameters
    ----------
    forecasts
        Table ``forecasts``; its rows are the points decided for.
    vaults, visits, traces, rain_outlook
        Tables of those names. Visits and outlooks after ``as_of`` are not looked at.
    outfall_grades
        From :func:`grade_outfalls`.
    near_concern
        From :func:`vaults_near_concern`.
    reached, gutters, near_incidents
        From :func:`places_reached`, :func:`gutter_check` and :func:`vaults_near_incidents`; what
        they tell stays blank where they are not given.
    careful
        From :func:`careful_waters`.
    as_of, time_zone
        Last local day whose results are known, and the zone that day is counted in.
    settings
        The chances that count as heavy, light or a wet day.

    Returns
    -------
    pandas.DataFrame
        vault_id, on and the columns of ``fact_columns.FACTS`` but the method, which the rules give.

    Notes
    -----
    ``grade_reckoned`` is heavy where the chance of heavy reaches ``heavy_prob``; else unknown where
    no visit ever graded the vault's water or the forecast has no chances; else light where the
    chance of light or heavy reaches ``light_prob``; else clear. Of all ways the water may take, by
    its path, a second inlet or a split, the strictest counts; ``sensitivity`` is unknown where no
    outfall is reached. Blank facts stay blank: each rule says what a blank means to it.
    """
    known_until = _end_of_day(as_of, time_zone)
    points = forecasts.reset_index(drop=True)
    facts = points[["vault_id", "on"]].copy()
    for column in ("prob_light", "prob_heavy", "volume_gal_p90"):
        facts[column] = points[column]
    of_vault = vaults[["vault_id", "pcb_status", "status", "gauge_id"]].assign(
        water_above_floor=_above_floor(vaults)
    )
    facts = facts.merge(of_vault.rename(columns={"status": "vault_status"}), "left", "vault_id")
    wanted = ["vault_id", "trace_status", "confidence", "gutter_ft", "gap_ft"]
    of_path = pd.DataFrame(traces[wanted]).rename(columns={"confidence": "trace_confidence"})
    facts = facts.merge(of_path, "left", "vault_id")
    ways = ways_of(traces, outfall_grades, reached)
    ways["sensitive_ft"] = feet_to_sensitive(traces, careful, ways).to_numpy()
    facts = facts.merge(ways, "left", "vault_id")
    facts["sensitivity"] = facts["sensitivity"].fillna("unknown")
    facts = facts.merge(near_concern[["vault_id", "near_concern"]], "left", "vault_id")
    for part, columns in (
        (near_incidents, ["near_incident"]),
        (gutters, ["gutter_overflows", "gutter_slope_assumed"]),
    ):
        known = vaults[["vault_id"]].head(0) if part is None else part
        known = known.reindex(columns=["vault_id", *columns])
        facts = facts.merge(known, "left", "vault_id")
    facts["pump_minutes"] = facts["volume_gal_p90"] / settings.pump_most_gpm
    over = (facts["volume_gal_p90"] > facts["daily_cap_gal"]).astype("boolean")
    facts["over_outfall_cap"] = over.mask(
        facts["daily_cap_gal"].notna() & facts["volume_gal_p90"].isna()
    )
    history = water_history(visits, facts["vault_id"], known_until=known_until)
    facts = facts.merge(history, "left", "vault_id")
    odd = odd_water(visits, facts["vault_id"], known_until=known_until)
    facts = facts.merge(odd, "left", "vault_id")
    local_day = facts["last_graded_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    facts["days_since_grade"] = (facts["on"] - local_day.dt.normalize()) / pd.Timedelta(days=1)
    chance = wet_day_chance(rain_outlook, known_until=known_until, wet_day_in=settings.wet_day_in)
    facts = facts.merge(chance, "left", left_on=["gauge_id", "on"], right_on=["gauge_id", "on"])
    wet = (facts["prob_wet_day"] >= settings.wet_day_prob).astype("boolean")
    facts["is_wet_day"] = wet.mask(facts["prob_wet_day"].isna())
    facts["grade_reckoned"] = _grade_reckoned(facts, settings)
    return _in_shape(facts)


def decide_discharges(
    frames: Frames, *, as_of: date, settings: Settings, rules: Rules | None = None
) -> pd.DataFrame:
    """Return, for every forecast vault and day, how its water may be removed and whether it may go.

    Parameters
    ----------
    frames
        Tables by name: vaults, visits, forecasts, traces, receiving_waters, sensitive_areas,
        outfalls, inlets, concern_sites, incidents, gauges, rain_outlook, overrides. A missing one
        counts as empty.
    as_of
        Last local day whose results are known; nothing later is looked at.
    settings
        All settings; the time zone and the discharge part are used.
    rules
        From :func:`load_rules`; the ones that come with the program if not given.

    Returns
    -------
    pandas.DataFrame
        Table ``decisions``, a row per row of ``forecasts``.

    Notes
    -----
    A vault whose own gauge is blank or has no outlook takes the nearest gauge that has one.

    A decision is a plan: not an authorisation to discharge. What the crew sees in the bailer, local
    codes, the current permit and licensed people go before it.
    """
    part = settings.discharge
    facts = discharge_facts(frames, as_of=as_of, settings=settings)
    table_of_rules = load_rules(None) if rules is None else rules
    return decide(
        facts,
        table_of_rules,
        _frame(frames, "overrides"),
        as_of=as_of,
        specialists=part.specialists,
    )


def discharge_facts(frames: Frames, *, as_of: date, settings: Settings) -> pd.DataFrame:
    """Return the facts of every forecast vault and day; the tables as :func:`decide_discharges`."""
    vaults = _frame(frames, "vaults")
    forecasts = _frame(frames, "forecasts")
    part = settings.discharge
    forecast_for = pd.Index(forecasts["vault_id"].unique())
    asked = vaults[forecast_for.get_indexer(pd.Index(vaults["vault_id"])) >= 0]
    outlook = _frame(frames, "rain_outlook")
    gauge_ids = gauges_with_outlook(
        cast(gpd.GeoDataFrame, asked),
        cast(gpd.GeoDataFrame, _frame(frames, "gauges")),
        outlook,
        known_until=_end_of_day(as_of, settings.time_zone),
    )
    return gather_facts(
        forecasts,
        asked.assign(gauge_id=gauge_ids),
        _frame(frames, "visits"),
        _frame(frames, "traces"),
        grade_outfalls(
            cast(gpd.GeoDataFrame, _frame(frames, "receiving_waters")),
            cast(gpd.GeoDataFrame, _frame(frames, "sensitive_areas")),
            cast(gpd.GeoDataFrame, _frame(frames, "outfalls")),
            as_of=as_of,
            settings=part,
        ),
        vaults_near_concern(
            cast(gpd.GeoDataFrame, asked),
            cast(gpd.GeoDataFrame, _frame(frames, "concern_sites")),
        ),
        outlook,
        reached=places_reached(
            cast(gpd.GeoDataFrame, _frame(frames, "receiving_waters")),
            cast(gpd.GeoDataFrame, _frame(frames, "sensitive_areas")),
            cast(gpd.GeoDataFrame, _frame(frames, "outfalls")),
            settings=part,
        ),
        careful=careful_waters(
            cast(gpd.GeoDataFrame, _frame(frames, "receiving_waters")),
            cast(gpd.GeoDataFrame, _frame(frames, "sensitive_areas")),
            as_of=as_of,
            settings=part,
        ),
        gutters=gutter_check(_frame(frames, "traces"), _frame(frames, "inlets"), part),
        near_incidents=vaults_near_incidents(
            cast(gpd.GeoDataFrame, asked),
            cast(gpd.GeoDataFrame, _frame(frames, "incidents")),
            as_of=as_of,
            days=part.incident_days,
        ),
        as_of=as_of,
        time_zone=settings.time_zone,
        settings=part,
    )


def _above_floor(vaults: pd.DataFrame) -> pd.Series[Any]:
    """Return whether groundwater usually stands above the floor; blank where nobody knows."""
    above = (vaults["water_table_ft"] < vaults["depth_ft"]).astype("boolean")
    return above.mask(vaults["water_table_ft"].isna() | vaults["depth_ft"].isna())


def _frame(frames: Frames, name: str) -> pd.DataFrame:
    return frames[name] if name in frames else table(name).empty()


def _end_of_day(as_of: date, time_zone: str) -> pd.Timestamp:
    """Return the first moment after a local day."""
    day = pd.Timestamp(as_of).tz_localize(None).normalize()
    return (day + pd.Timedelta(days=1)).tz_localize(time_zone).tz_convert("UTC")


def _grade_reckoned(facts: pd.DataFrame, settings: DischargeSettings) -> pd.Series[Any]:
    heavy = facts["prob_heavy"]
    worse = heavy + facts["prob_light"]
    return pd.Series(
        np.select(
            [
                heavy >= settings.heavy_prob,
                facts["last_grade"].isna() | worse.isna(),
                worse >= settings.light_prob,
            ],
            ["heavy", "unknown", "light"],
            "clear",
        ),
        index=facts.index,
        dtype="str",
    )


def _in_shape(facts: pd.DataFrame) -> pd.DataFrame:
    shaped = facts[["vault_id", "on"]].copy()
    for name, fact in FACTS.items():
        if name not in _LEFT_OUT:
            shaped[name] = fact.cast(facts[name])
    return shaped
