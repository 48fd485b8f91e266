"""What the specialist's map knows besides: which planned discharge reaches which water."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.maps.ground import day_word
from vaultplan.outputs.plan_view import part

#: Strictest first; a water whose sensitivity nobody knows comes before ordinary ones.
_STRICTEST: Final = ("protected", "high", "unknown", "elevated", "ordinary")


def watched_waters(
    frames: schema.Frames, stops: pd.DataFrame, left: pd.DataFrame
) -> list[dict[str, Any]]:
    """Return each water that the week's water may reach, strictest first.

    ``stops`` and ``left`` of each are places of rows in the frames handed over (vault_id required,
    of stops volume_gal_mean); ``gal`` is the sum of the discharges' means, ``unknown`` how many
    have none, ``due`` the days of the notices they ask for.
    """
    reached = reached_waters(frames)
    by_water = {str(key): set(mine["vault_id"]) for key, mine in reached.groupby("water_id")}
    waters = part(frames, "receiving_waters").merge(
        part(frames, "sensitivities"), on="water_id", how="left", validate="one_to_one"
    )
    notices = frames.get("notices", pd.DataFrame(columns=["water_id", "due_on"]))
    mean = pd.to_numeric(stops["volume_gal_mean"])
    told: list[dict[str, Any]] = []
    for row in waters.to_dict("records"):
        mine = by_water.get(str(row["water_id"]), set())
        at = [k for k, vault in enumerate(stops["vault_id"]) if vault in mine]
        kept = [k for k, vault in enumerate(left["vault_id"]) if vault in mine]
        sensitivity = "unknown" if pd.isna(row["sensitivity"]) else str(row["sensitivity"])
        due = sorted(set(notices.loc[notices["water_id"].eq(row["water_id"]), "due_on"]))
        told.append(
            {
                "water_id": str(row["water_id"]),
                "name": str(row["water_id"] if pd.isna(row["name"]) else row["name"]),
                "sensitivity": sensitivity,
                "reason": "" if pd.isna(row["reason"]) else str(row["reason"]),
                "stops": at,
                "left": kept,
                "gal": round(float(mean.iloc[at].fillna(0.0).sum())),
                "unknown": int(mean.iloc[at].isna().sum()),
                "due": [day_word(day) for day in due],
            }
        )
    told.sort(
        key=lambda row: (_STRICTEST.index(row["sensitivity"]), -len(row["stops"]), row["name"])
    )
    return told


def reached_waters(frames: schema.Frames) -> pd.DataFrame:
    """Return vault_id and water_id of every water that a vault's water may reach.

    Taken from ``reached``, which knows of second inlets and split drains, where the plan has it;
    else from the main paths alone.
    """
    if "reached" in frames:
        return frames["reached"][["vault_id", "water_id"]].dropna().drop_duplicates()
    traces = pd.DataFrame(part(frames, "traces"))[["vault_id", "waters_passed"]].dropna()
    listed = traces.assign(water_id=traces["waters_passed"].str.split(";")).explode("water_id")
    return listed[["vault_id", "water_id"]].drop_duplicates()


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
