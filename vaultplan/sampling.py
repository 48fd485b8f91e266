"""What the laboratory found in the vaults' water, and what the filter socks took out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from vaultplan import week
from vaultplan.analysis.samples import characteristics, pairs_of, results_of, usable
from vaultplan.analysis.wqx import wqx_rows
from vaultplan.errors import OutputError, SchemaError
from vaultplan.loading import OnStep, columns_to_read, is_same_file, silent
from vaultplan.outputs.tables import write_table
from vaultplan.settings import Settings
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table

#: Of more visits than this all are read: asking for each would take longer.
_ASKED_FOR: Final = 200_000


@dataclass(frozen=True, slots=True)
class Sampled:
    """Laboratory results and what they come to.

    ``results`` has a row per sample (see :func:`vaultplan.analysis.samples.results_of`),
    ``characteristics`` one per characteristic and stage, ``pairs`` one per result before and after
    a sock, ``removals`` one per characteristic.
    """

    results: pd.DataFrame
    characteristics: pd.DataFrame
    pairs: pd.DataFrame
    removals: pd.DataFrame

    @property
    def left_out(self) -> pd.DataFrame:
        """How many results are left out of every figure, by reason."""
        trouble = self.results.loc[self.results["trouble"].ne(""), "trouble"]
        return trouble.value_counts().rename_axis("trouble").reset_index(name="results")


def sampled(
    location: str,
    *,
    since: pd.Timestamp | None = None,
    until: pd.Timestamp | None = None,
    only: str | None = None,
    with_held_too_long: bool = True,
    wqx: Path | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Sampled:
    """Return the laboratory results of a time, and what they come to.

    Parameters
    ----------
    since, until
        First and last local day of the visits they were taken on.
    only
        Name of the one characteristic wanted.
    with_held_too_long
        Whether results count that were analyzed later than ``settings.samples.holding_days`` allow.
    wqx
        CSV to write all of them to, under the column names of WQX.

    Raises
    ------
    SchemaError
        If no sample is of that characteristic.
    OutputError
        If the file cannot be written, or is the database.
    """
    if wqx is not None and is_same_file(wqx, location):
        raise OutputError(f"{wqx} is the database; name another file")
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        on_step("Read the database")
        samples = read_table(database, "samples")
        visits = _sampled_on(database, samples["visit_id"].unique().tolist())
    on_step("Reckon with the laboratory's results")
    day = visits["visited_at"].dt.tz_convert(settings.time_zone).dt.tz_localize(None)
    visits = visits[(day >= (since or day.min())) & (day < _after(until or day.max()))]
    samples = samples[samples["visit_id"].isin(visits["visit_id"])]
    if only is not None:
        names = sorted(samples["characteristic"].dropna().unique())
        samples = samples[samples["characteristic"].str.casefold().eq(only.casefold())]
        if samples.empty:
            known = ", ".join(names) or "there are none"
            raise SchemaError(f"no sample of that time is of {only!r}; known: {known}")
    mine = {"samples": samples.reset_index(drop=True), "visits": visits}
    results = results_of(mine, settings.samples.holding_days, settings.time_zone)
    used = usable(results, with_held_too_long=with_held_too_long)
    pairs, removals = pairs_of(used)
    if wqx is not None:
        on_step("Write WQX columns")
        rows = wqx_rows(mine, time_zone=settings.time_zone, project_id=settings.samples.project_id)
        write_table(rows, wqx)
    return Sampled(results, characteristics(used), pairs, removals)


def _sampled_on(database: Database, visit_ids: list[str]) -> pd.DataFrame:
    """Return the visits that samples were taken on: few of a large fleet's."""
    columns = columns_to_read("visits")
    if len(visit_ids) > _ASKED_FOR:
        visits = read_table(database, "visits", columns=columns)
        return visits[visits["visit_id"].isin(visit_ids)]
    return read_table(database, "visits", where={"visit_id": visit_ids}, columns=columns)


def _after(day: pd.Timestamp) -> pd.Timestamp:
    return day.normalize() + pd.Timedelta(days=1)
