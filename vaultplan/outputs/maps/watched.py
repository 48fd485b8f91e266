"""What the specialist's map knows besides: which planned discharge reaches which water."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.maps.ground import day_word
from vaultplan.outputs.plan_view import part

#: Strictest first; a water whose sensitivity nobody knows comes before ordinary ones.
STRICTEST: Final = ("protected", "high", "unknown", "elevated", "ordinary")
#: All water ends there, so that of waters of one sensitivity they are named last.
_WIDE: Final = ("bay", "sea")
_NOT_KNOWN: Final[dict[str, Any]] = {
    "water_id": "",
    "name": "Water not known",
    "sensitivity": "unknown",
    "reason": "some way of these discharges ends where no listed water is known",
}


def watched_waters(
    frames: schema.Frames, stops: pd.DataFrame, left: pd.DataFrame
) -> list[dict[str, Any]]:
    """Return each water that the week's water may reach, strictest first.

    ``stops`` and ``left`` of each are places of rows in the frames handed over (vault_id required,
    of stops arrive_at too), stops in order of time; ``due`` are the days of the notices they ask
    for. Where some way ends in no listed water, a row with a blank water_id stands for it.
    """
    reached = reached_waters(frames).fillna({"water_id": ""})
    by_water = {str(key): set(mine["vault_id"]) for key, mine in reached.groupby("water_id")}
    waters = part(frames, "receiving_waters").merge(
        part(frames, "sensitivities"), on="water_id", how="left", validate="one_to_one"
    )
    rows: list[dict[Any, Any]] = [*pd.DataFrame(waters).to_dict("records"), _NOT_KNOWN]
    notices = frames.get("notices", pd.DataFrame(columns=["water_id", "due_on"]))
    told: list[tuple[tuple[Any, ...], dict[str, Any]]] = []
    for row in rows:
        key = str(row["water_id"])
        due = sorted(set(notices.loc[notices["water_id"].eq(key), "due_on"]))
        sensitivity = _text(row["sensitivity"]) or "unknown"
        mine = by_water.get(key, set())
        water = {
            "water_id": key,
            "name": _text(row["name"]) or key,
            "sensitivity": sensitivity,
            "reason": _text(row["reason"]),
            "stops": _in_time(stops, mine),
            "left": _places(left, mine),
            "due": [day_word(day) for day in due],
        }
        if not key and not water["stops"] and not water["left"]:
            continue
        is_wide = row.get("kind") in _WIDE
        order = (STRICTEST.index(sensitivity), is_wide, not due, -len(water["stops"]), key)
        told.append((order, water))
    return [water for _, water in sorted(told, key=lambda pair: pair[0])]


def watched_outfalls(
    frames: schema.Frames, stops: pd.DataFrame, left: pd.DataFrame
) -> dict[str, dict[str, list[int]]]:
    """Return, by outfall, the ``stops`` and ``left`` of which some way ends there.

    Both are places of rows in the frames handed over, as :func:`watched_waters` has them.
    """
    found: dict[str, set[str]] = {}
    for vault_id, outfalls in _outfalls_reached(frames):
        for outfall in outfalls:
            found.setdefault(outfall, set()).add(vault_id)
    told = {
        outfall: {"stops": _in_time(stops, vaults), "left": _places(left, vaults)}
        for outfall, vaults in sorted(found.items())
    }
    return {outfall: row for outfall, row in told.items() if row["stops"] or row["left"]}


def reached_waters(frames: schema.Frames) -> pd.DataFrame:
    """Return vault_id and water_id of every water that a vault's water may reach.

    Taken from ``reached``, which knows of second inlets and split drains, where the plan has it,
    water_id blank where some way ends in none; else from the main paths alone.
    """
    if "reached" in frames:
        return frames["reached"][["vault_id", "water_id"]].drop_duplicates()
    traces = pd.DataFrame(part(frames, "traces"))[["vault_id", "waters_passed"]]
    listed = traces.assign(water_id=traces["waters_passed"].str.split(";")).explode("water_id")
    return listed[["vault_id", "water_id"]].drop_duplicates()


def _outfalls_reached(frames: schema.Frames) -> Iterable[tuple[str, list[str]]]:
    if "reached" not in frames:
        traces = pd.DataFrame(part(frames, "traces"))[["vault_id", "outfall_id"]].dropna()
        return [(str(vault), [str(outfall)]) for vault, outfall in traces.itertuples(index=False)]
    reached = frames["reached"]
    every = reached["outfall_id"].fillna("") + ";" + reached["other_outfalls"].fillna("")
    return [
        (str(vault), [one for one in ids.split(";") if one])
        for vault, ids in zip(reached["vault_id"], every, strict=True)
    ]


def _in_time(stops: pd.DataFrame, vaults: set[str]) -> list[int]:
    mine = stops.loc[stops["vault_id"].isin(vaults), "arrive_at"].sort_values(kind="stable")
    return [int(place) for place in mine.index]


def _places(left: pd.DataFrame, vaults: set[str]) -> list[int]:
    return [int(place) for place in left.index[left["vault_id"].isin(vaults)]]


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)


def overrides_told(frames: schema.Frames, as_of: pd.Timestamp) -> list[dict[str, str]]:
    """Return the overrides that hold on the as-of day or later, with the day they end."""
    overrides = part(frames, "overrides")
    kept = overrides[overrides["expires_on"] >= as_of].sort_values(["expires_on", "override_id"])
    return [
        {
            "vault_id": str(row["vault_id"]),
            "ends": day_word(row["expires_on"]),
            "what": f"{row['ladder']} lowered to {str(row['step']).replace('_', ' ')}",
            "who": str(row["who"]),
        }
        for row in kept.to_dict("records")
    ]
