"""The watch-list: which of a week's planned discharges reach which water, and how."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.discharge.sensitivity import STRICTNESS
from vaultplan.discharge.ways import WAYS, ways_out
from vaultplan.schema import GATES, METHODS, Frames, table

#: Strictest first; an ordinary water is watched only when someone names it.
WATCHED: Final = tuple(reversed(STRICTNESS))[:-1]
#: Stands for the end of a discharge that reaches no listed water.
NO_WATER: Final = "not known"
_BAND: Final = ("volume_gal_p10", "volume_gal_p50", "volume_gal_p90")
_CHANCES: Final = ("prob_clear", "prob_light", "prob_heavy")
_OF_STOP: Final = ("plan_id", "on", "start_at", "truck_id", "stop_number", "order_id", "vault_id")
COLUMNS: Final = (
    *("water_id", "water", "sensitivity", "on", "start_at", "truck_id", "order_id", "vault_id"),
    *("address", "method", "gate", *_BAND, "volume_gal_mean", *_CHANCES, "outfall_id"),
    *("other_outfalls", "enters_water", "way", "share", "length_ft", "trace_status"),
    *("trace_confidence", "trace_reason", "rules_fired", "reason", "changed", "is_ahead"),
    "sensitivity_reckoned",
)


def waters_below(receiving_waters: pd.DataFrame) -> pd.DataFrame:
    """Return each water with itself and all waters below it: enters_id, water_id, steps.

    A chain that runs in a circle ends where it would repeat; a water that is named but not listed
    is left out.

    >>> waters = {"water_id": ["creek", "bay"], "downstream_water_id": ["bay", None]}
    >>> waters_below(pd.DataFrame(waters)).values.tolist()
    [['creek', 'creek', 0], ['creek', 'bay', 1], ['bay', 'bay', 0]]
    """
    ids = receiving_waters["water_id"].to_numpy(dtype=object)
    down = pd.Index(ids).get_indexer(
        pd.Index(receiving_waters["downstream_water_id"].astype("str"))
    )
    start = np.arange(len(ids))
    at, rows = start.copy(), []
    for steps in range(len(ids)):
        rows.append(pd.DataFrame({"start": start, "at": at, "steps": steps}))
        runs_on = down[at] >= 0
        start, at = start[runs_on], down[at[runs_on]]
        if not len(start):
            break
    if not rows:
        return pd.DataFrame({"enters_id": [], "water_id": [], "steps": []})
    chain = pd.concat(rows, ignore_index=True).drop_duplicates(["start", "at"])
    chain = chain.sort_values(["start", "steps"])
    return pd.DataFrame(
        {
            "enters_id": pd.Series(ids[chain["start"]], dtype="str"),
            "water_id": pd.Series(ids[chain["at"]], dtype="str"),
            "steps": chain["steps"].to_numpy(),
        }
    )


def reaches(
    traces: pd.DataFrame, outfalls: pd.DataFrame, receiving_waters: pd.DataFrame
) -> pd.DataFrame:
    """Return every water that each vault's water would reach, by whichever way.

    Parameters
    ----------
    traces, outfalls, receiving_waters
        Tables of those names.

    Returns
    -------
    pandas.DataFrame
        A row per vault and water: vault_id, water_id, enters_id (the first water on that way),
        steps (waters in between), outfall_id, other_outfalls, way in words, and share: the most of
        the vault's water that may get there. A vault of which some way reaches no listed water has
        a row with a blank water_id besides.
    """
    ways = ways_out(traces)
    below = waters_below(receiving_waters)
    enters = outfalls.drop_duplicates("outfall_id").set_index("outfall_id")["water_id"]
    ways["enters_id"] = ways["outfall_id"].map(enters).astype("str")
    by_table = ways.merge(below, on="enters_id", how="left")
    said = _as_traced(traces, ways, set(receiving_waters["water_id"]))
    lost = traces.loc[~traces["vault_id"].isin(ways["vault_id"]), ["vault_id"]]
    lost = lost[~lost["vault_id"].isin(said["vault_id"])].assign(way="main", share=1.0, steps=0)
    both = pd.concat([part for part in (said, by_table, lost) if len(part)] or [by_table])
    both = both.reindex(columns=list(by_table.columns))
    names = ["vault_id", "water_id", "enters_id", "outfall_id", "way"]
    both = both.astype(dict.fromkeys(names, "str"))
    both = both.drop_duplicates(["vault_id", "water_id", "outfall_id", "way"])
    # What the trace says goes before what the table of outfalls says of the same way.
    known = both.loc[both["water_id"].notna(), ["vault_id", "outfall_id", "way"]].drop_duplicates()
    blank = both[both["water_id"].isna()].merge(
        known.assign(told=True), on=["vault_id", "outfall_id", "way"], how="left"
    )
    blank = blank[blank.pop("told").isna()]
    return _by_water(pd.concat([both[both["water_id"].notna()], blank], ignore_index=True))


def _as_traced(traces: pd.DataFrame, ways: pd.DataFrame, listed: set[str]) -> pd.DataFrame:
    """Return the waters that the traces themselves say the main path passes."""
    said = traces.loc[traces["waters_passed"].fillna("").ne(""), ["vault_id", "waters_passed"]]
    chain = said["waters_passed"].str.split(";")
    said = said.assign(water_id=chain, enters_id=chain.str[0]).explode("water_id")
    said["steps"] = said.groupby("vault_id").cumcount()
    said = said[said["water_id"].isin(listed)].drop(columns="waters_passed").assign(way="main")
    main = ways.loc[ways["way"].eq("main"), ["vault_id", "outfall_id", "share"]]
    joined = said.merge(main, on="vault_id", how="left")
    return joined.assign(share=joined["share"].fillna(1.0))


def _by_water(long: pd.DataFrame) -> pd.DataFrame:
    """Return one row per vault and water from one per vault, water, way and outfall."""
    order = long["way"].map(WAYS.index)
    long = long.assign(order=order).sort_values(
        ["vault_id", "water_id", "order", "steps", "share", "outfall_id"],
        ascending=[True, True, True, True, False, True],
    )
    key = [long["vault_id"], long["water_id"].fillna("")]
    shares = {way: long["share"].where(long["way"].eq(way), 0.0).groupby(key).sum() for way in WAYS}
    first = long.drop_duplicates(["vault_id", "water_id"]).reset_index(drop=True)
    outfalls = long.assign(outfall_id=long["outfall_id"].fillna(""))
    listed = outfalls["outfall_id"].groupby(key).agg(lambda ids: list(dict.fromkeys(ids))[1:])
    main, split, second = (shares[way].to_numpy(float) for way in WAYS)
    flows = np.minimum(main + split, 1.0)
    first["other_outfalls"] = pd.Series(
        [";".join(filter(None, ids)) for ids in listed], dtype="str"
    )
    first["share"] = np.where(second > 0, 1.0, flows)
    first["way"] = _way_words(main, split, second > 0)
    columns = ["vault_id", "water_id", "enters_id", "steps", "outfall_id", "other_outfalls"]
    return first[[*columns, "way", "share"]]


def _way_words(main: Any, split: Any, has_second: Any) -> pd.Series[Any]:
    """Return how the water gets there, a share in percent where drains split."""
    words = []
    for whole, part, second in zip(main, split, has_second, strict=True):
        told = []
        if whole > 0:
            told.append("main path" if whole >= 1 else f"main path, {whole:.0%} of it")
        if part > 0:
            told.append(f"split part, {part:.0%} of it")
        if second:
            told.append("through a second inlet nearly as close")
        words.append(" and ".join(told))
    return pd.Series(words, dtype="str")


def planned_discharges(frames: Frames, rule_words: Mapping[str, str]) -> pd.DataFrame:
    """Return the plan's discharges to the drain, a row each, with what is known of them.

    Parameters
    ----------
    frames
        Tables ``plan_stops`` and ``plan_jobs`` of one plan, ``vaults``, and ``forecasts`` and
        ``decisions`` of the days still ahead.
    rule_words
        Words of each rule by its id, for days that were not decided anew.

    Returns
    -------
    pandas.DataFrame
        Columns of ``COLUMNS`` that concern the discharge. ``is_ahead`` tells whether its day is
        forecast anew; if not, the band is the one the plan was made with. ``changed`` says where
        the rules now ask for more than the plan does; ``sensitivity_reckoned`` is that of the place
        of the outfall, by which they go.
    """
    stops = frames["plan_stops"]
    pumped = pd.DataFrame(stops.loc[stops["kind"].eq("pump_out"), list(_OF_STOP)])
    jobs = pd.DataFrame(frames["plan_jobs"])
    jobs = jobs[["order_id", "method", "gate", "rules_fired", *_BAND]]
    jobs = jobs.rename(columns={name: f"{name}_job" for name in (*_BAND, "rules_fired")})
    found = pumped.merge(jobs, on="order_id", how="left", validate="many_to_one")
    addresses = pd.DataFrame(frames["vaults"])[["vault_id", "address"]]
    found = found.merge(addresses, on="vault_id", how="left", validate="many_to_one")
    water = pd.DataFrame(frames["forecasts"])
    water = water[["vault_id", "on", *_BAND, "volume_gal_mean", *_CHANCES]].assign(is_ahead=True)
    found = found.merge(water, on=["vault_id", "on"], how="left", validate="many_to_one")
    found["is_ahead"] = found["is_ahead"].fillna(False).astype(bool)
    for name in _BAND:
        found[name] = found[name].where(found["is_ahead"], found.pop(f"{name}_job"))
    columns = ["vault_id", "on", "method", "gate", "sensitivity", "rules_fired", "reason"]
    now = {"method": "method_now", "gate": "gate_now", "sensitivity": "sensitivity_reckoned"}
    decided = frames["decisions"][columns].rename(columns=now)
    found = found.merge(decided, on=["vault_id", "on"], how="left", validate="many_to_one")
    found["changed"] = _changed(found)
    found["rules_fired"] = found["rules_fired"].fillna(found.pop("rules_fired_job"))
    told = [
        " ".join(rule_words.get(rule, rule) for rule in str(ids).split(";"))
        for ids in found["rules_fired"].fillna("")
    ]
    found["reason"] = found["reason"].fillna(pd.Series(told, index=found.index, dtype="str"))
    return found


def _changed(found: pd.DataFrame) -> pd.Series[Any]:
    """Return words where the rules now ask for more than was planned; blank elsewhere."""
    words = []
    for row in found[["method", "gate", "method_now", "gate_now"]].itertuples(index=False):
        asks = []
        for planned, now, steps in ((row[0], row[2], METHODS), (row[1], row[3], GATES)):
            if isinstance(now, str) and isinstance(planned, str):
                if steps.index(now) > steps.index(planned):
                    asks.append(f"{now.replace('_', ' ')} where {planned.replace('_', ' ')} stands")
            elif not isinstance(planned, str):
                asks.append("the plan does not say how its water is removed")
        words.append("The rules now ask for more than the plan: " + ", ".join(asks) if asks else "")
    return pd.Series(words, index=found.index, dtype="str")


def watch_list(frames: Frames, reached: pd.DataFrame, discharges: pd.DataFrame) -> gpd.GeoDataFrame:
    """Return every planned discharge under every water it reaches, strictest water first.

    Parameters
    ----------
    frames
        Tables ``traces`` (with lines), ``receiving_waters`` and ``sensitivities``.
    reached
        From :func:`reaches`.
    discharges
        From :func:`planned_discharges`.

    Returns
    -------
    geopandas.GeoDataFrame
        ``COLUMNS`` and the path, each discharge once under each water. A discharge of which some
        way ends in no listed water stands under a blank water_id too, sensitivity unknown.
    """
    listed = discharges.merge(reached, on="vault_id", how="left")
    listed["way"] = listed["way"].fillna("path not traced")
    listed["share"] = listed["share"].fillna(1.0)
    paths = frames["traces"][
        ["vault_id", "trace_status", "confidence", "length_ft", "reason", "geometry"]
    ].rename(columns={"confidence": "trace_confidence", "reason": "trace_reason"})
    listed = listed.merge(paths, on="vault_id", how="left", validate="many_to_one")
    waters = frames["receiving_waters"]
    names = waters["name"].where(waters["name"].notna(), waters["water_id"])
    names = pd.Series(names.to_numpy(), index=waters["water_id"])
    listed["water"] = listed["water_id"].map(names).fillna(NO_WATER)
    listed["enters_water"] = listed["enters_id"].map(names)
    graded = frames["sensitivities"].set_index("water_id")["sensitivity"]
    listed["sensitivity"] = listed["water_id"].map(graded).fillna("unknown")
    rank = listed["sensitivity"].map(strictness)
    listed = listed.assign(rank=rank).sort_values(
        ["rank", "water", "water_id", "on", "start_at", "truck_id", "order_id"], ignore_index=True
    )
    crs = getattr(frames["traces"], "crs", None)
    return gpd.GeoDataFrame(listed[[*COLUMNS, "geometry"]], geometry="geometry", crs=crs)


def strictness(sensitivity: str) -> int:
    """Return the place of a sensitivity, 0 the strictest."""
    return len(STRICTNESS) - 1 - STRICTNESS.index(sensitivity)


def watched_waters(
    frames: Frames, listed: pd.DataFrame, only: str | None = None
) -> gpd.GeoDataFrame:
    """Return the waters on watch, strictest first, with why and how many discharges reach them.

    Parameters
    ----------
    frames
        Tables ``receiving_waters`` and ``sensitivities``.
    listed
        From :func:`watch_list`.
    only
        Id of the one water asked for, whatever its sensitivity; all but ordinary ones if none.

    Returns
    -------
    geopandas.GeoDataFrame
        water_id, water, kind, protection, uses, sensitivity, reason, discharges and place. A row
        without water_id stands for discharges of which some way ends in no listed water.
    """
    waters = frames["receiving_waters"]
    graded = pd.DataFrame(frames["sensitivities"])
    columns = ["water_id", "name", "kind", "protection", "uses", "geometry"]
    found = (
        waters[columns].merge(graded, on="water_id", how="left").rename(columns={"name": "water"})
    )
    found["water"] = found["water"].fillna(found["water_id"])
    found["sensitivity"] = found["sensitivity"].fillna("unknown")
    found["reason"] = found["reason"].fillna("it was not graded")
    if only is None:
        found = found[found["sensitivity"].isin(WATCHED)]
    else:
        found = found[found["water_id"].eq(only)]
    counts = listed["water_id"].fillna("").value_counts()
    if only is None and counts.get("", 0):
        why = "some way of these discharges ends in no listed water, so it counts as sensitive"
        lost = table("receiving_waters").empty(waters.crs)[["water_id", "kind", "geometry"]]
        lost.loc[0, "water_id"] = None
        lost = lost.assign(water=NO_WATER, sensitivity="unknown", reason=why)
        found = pd.concat([found, lost], ignore_index=True)
    found["discharges"] = found["water_id"].fillna("").map(counts).fillna(0).astype(int)
    rank = found["sensitivity"].map(strictness)
    ordered = found.assign(rank=rank).sort_values(["rank", "water", "water_id"], ignore_index=True)
    return cast("gpd.GeoDataFrame", ordered.drop(columns="rank"))
