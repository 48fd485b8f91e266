"""What deserves a look before the week starts: sensitive waters and weak forecasts."""

from __future__ import annotations

from typing import Any, Final, cast

import pandas as pd

from vaultplan.outputs.markdown import day, days, number, table

#: Discharge into such waters, or into nobody knows which, is put on the watch list, worst first.
_WATCHED: Final = ("protected", "unknown", "high", "elevated")
#: Of these every single discharge is listed.
_LISTED: Final = ("protected", "unknown")
METHOD_WORDS: Final = {
    "storm_drain": "storm drain",
    "filter_sock": "filter sock",
    "vacuum_truck": "vacuum truck",
}


def watched_waters(stops: pd.DataFrame, waters: pd.DataFrame) -> list[str]:
    """Return the sections on discharges toward sensitive or unknown waters.

    Columns required: of stops on, truck_id, kind, from, vault_id, method, sensitivity, outfall_id,
    water_id, waters_passed, volume_gal_mean; of waters water_id and name.
    """
    names = waters.set_index("water_id")["name"]
    drained = stops[stops["kind"].eq("pump_out") & stops["sensitivity"].isin(_WATCHED)]
    drained = drained.assign(
        water=[_waters(passed, names) for passed in drained["waters_passed"]],
        worst=drained["sensitivity"].map(_WATCHED.index),
        outfall=drained["outfall_id"].fillna("not known"),
        how=drained["method"].map(METHOD_WORDS).fillna(drained["method"]).fillna("not known"),
    )
    rows = []
    for key, one in drained.groupby(["worst", "water"], sort=True):
        worst, water = cast("tuple[int, str]", key)
        methods = one["how"].value_counts()
        rows.append(
            (
                water,
                _WATCHED[worst],
                len(one),
                number(
                    one["volume_gal_mean"].sum() if one["volume_gal_mean"].notna().any() else None
                ),
                ", ".join(f"{method} {methods[method]}" for method in sorted(methods.index)),
                days(one["on"]),
            )
        )
    heads = ("Water, then those below it", "Sensitivity", "Discharges", "Expected, gal")
    lines = [
        "## Watch: discharges toward sensitive or unknown waters",
        "",
        *table((*heads, "Methods", "Days"), rows, "None is planned."),
    ]
    singly = drained[drained["sensitivity"].isin(_LISTED)]
    if len(singly):
        lines += ["", "Every one of them toward a protected or unknown water, by outfall:", ""]
        lines += _each(singly)
    return lines


def _each(drained: pd.DataFrame) -> list[str]:
    rows = []
    for key, one in drained.groupby(["worst", "water", "outfall", "on", "how"], sort=True):
        _, water, outfall, on, method = cast("tuple[int, str, str, pd.Timestamp, str]", key)
        told = [
            f"{start} {truck} {vault}"
            for start, truck, vault in sorted(
                zip(one["from"], one["truck_id"], one["vault_id"], strict=True)
            )
        ]
        rows.append((outfall, water.split(", then ")[0], day(on), method, ", ".join(told)))
    heads = ("Outfall", "Water", "Day", "Method", "From, truck, vault")
    return table(heads, rows, "")


def weak_forecasts(emptied: pd.DataFrame) -> list[str]:
    """Return the section on stops whose forecast is missing or of low confidence, by cause.

    Columns required: vault_id, confidence, forecast_reason, volume_gal_mean.
    """
    unsure = emptied[emptied["confidence"].eq("low") | emptied["confidence"].isna()]
    rows = []
    causes = [_cause(reason) for reason in unsure["forecast_reason"]]
    for cause, one in unsure.assign(cause=causes).groupby("cause", sort=True):
        gallons = one["volume_gal_mean"]
        rows.append(
            (
                cause,
                len(one),
                number(gallons.sum() if gallons.notna().any() else None),
                ", ".join(sorted(one["vault_id"])),
            )
        )
    return [
        "## Watch: forecasts to trust least",
        "",
        *table(
            ("Rests on", "Stops", "Expected, gal", "Vaults (low, likely and high in plan.csv)"),
            rows,
            "No planned stop rests on a forecast of low confidence.",
        ),
    ]


def _cause(reason: Any) -> str:
    """Return what a forecast rests on without the counts and dates of the single vault."""
    if pd.isna(reason):
        return "no forecast"
    parts = [part.strip() for part in str(reason).split(";")]
    return "; ".join(part for part in parts if not any(c.isdigit() for c in part)) or str(reason)


def _waters(passed: Any, names: pd.Series[Any]) -> str:
    if not isinstance(passed, str) or not passed:
        return "not known"
    return ", then ".join(str(names.get(water, water)) for water in passed.split(";"))
