"""Whether the vaults' water becomes cleaner: over the years, and after something was done."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from vaultplan import week
from vaultplan.analysis.interventions import Change, change_after
from vaultplan.analysis.quarters import quarters, trends
from vaultplan.errors import SettingsError
from vaultplan.loading import OnStep, read_frames, silent
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

GROUPS: Final = ("fleet", "district", "water")


@dataclass(frozen=True, slots=True)
class Trends:
    """Trends of the dirty share, the quarters they are of, and the change after events, if asked.

    Tables are those of :mod:`vaultplan.analysis.quarters`.
    """

    trends: pd.DataFrame
    quarters: pd.DataFrame
    change: Change | None = None


def trended(
    location: str,
    *,
    by: str = "fleet",
    least_grade: str = "light",
    events: Path | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Trends:
    """Return whether the share of vaults seen dirty rises or falls.

    Parameters
    ----------
    by
        One trend for the fleet, one per district, or one per water that vaults drain to.
    least_grade
        ``light`` counts light and heavy as dirty, ``heavy`` only heavy.
    events
        CSV of ``vault_id`` and ``on``: what was done there is weighed against like vaults. Changes
        of lids that the database notes count too.

    Raises
    ------
    SettingsError
        If the file of events cannot be read, names an unknown vault or gives no day.
    """
    if by not in GROUPS or least_grade not in ("light", "heavy"):
        raise SettingsError(f"choose one of {', '.join(GROUPS)}, and light or heavy")
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        names = ["vaults", "visits"]
        if by == "water":
            names += [*DRAIN_TABLES, *STREET_TABLES]
        frames = read_frames(database, names, on_step)
        noted = read_table(database, "changes", where={"table_name": "vaults"})
    visits, vaults = frames["visits"], frames["vaults"]
    if as_of is not None:
        end = (as_of + pd.Timedelta(days=1)).tz_localize(settings.time_zone)
        visits = visits[visits["visited_at"] < end]
    if by == "water":
        traces = week.trace_paths(frames, settings, on_step, with_geometry=False)
        told = traces.set_index("vault_id")["water_id"].fillna("unknown")
        names_of = frames["receiving_waters"].set_index("water_id")["name"]
        group = told.map(names_of).fillna(told)
    elif by == "district":
        group = vaults.set_index("vault_id")["district"].fillna("unknown")
    else:
        group = pd.Series("fleet", index=vaults["vault_id"], dtype="str")
    on_step("Look for trends")
    shares = quarters(visits, group, settings.time_zone, least_grade)
    found = trends(shares)
    change = None
    if events is not None:
        on_step("Compare with like vaults")
        done = pd.concat([_read_events(events, vaults), _new_lids(noted, settings)])
        local = visits["visited_at"].dt.tz_convert(settings.time_zone).dt.tz_localize(None)
        dirty = ("light", "heavy") if least_grade == "light" else ("heavy",)
        looks = pd.DataFrame(
            {
                "vault_id": visits["vault_id"],
                "on": local.dt.normalize(),
                "is_dirty": visits["grade"].isin(dirty),
            }
        )[visits["grade"].notna()]
        change = change_after(done, looks, pd.DataFrame(vaults))
    return Trends(found, shares, change)


def _read_events(path: Path, vaults: pd.DataFrame) -> pd.DataFrame:
    try:
        table = pd.read_csv(path, dtype="str")
    except (OSError, ValueError) as error:
        raise SettingsError(f"{path} cannot be read as a CSV of events: {error}") from error
    missing = {"vault_id", "on"} - set(table.columns)
    if missing:
        raise SettingsError(f"{path} lacks column(s) {', '.join(sorted(missing))}")
    on = pd.to_datetime(table["on"], format="%Y-%m-%d", errors="coerce")
    unknown = ~table["vault_id"].isin(vaults["vault_id"])
    for wrong, column, fault in (
        (unknown, "vault_id", "is not among the vaults"),
        (on.isna(), "on", "is no day like 2025-04-30"),
    ):
        if wrong.any():
            at = wrong.to_numpy().nonzero()[0]
            shown = ", ".join(f"row {row + 2} ({table[column].iloc[row]})" for row in at[:5])
            raise SettingsError(f"{path}: column {column} {fault}: {shown}; correct it there")
    return pd.DataFrame({"vault_id": table["vault_id"], "on": on})


def _new_lids(noted: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Return the days on which the database notes that a vault got a sealed lid."""
    mine = noted[noted["column_name"].eq("lid") & noted["after"].eq("sealed")]
    on = mine["changed_at"].dt.tz_convert(settings.time_zone).dt.tz_localize(None).dt.normalize()
    return pd.DataFrame({"vault_id": mine["row_key"].astype("str"), "on": on})
