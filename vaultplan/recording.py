"""Results that come back from the field: taken in, held to the plan, and learned from."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan import loading, week
from vaultplan.analysis.results import against_plan
from vaultplan.errors import SchemaError
from vaultplan.forecast.fitting import refit
from vaultplan.forecast.grade import regrade
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.load import TableIntake
from vaultplan.loading import Loaded, OnStep, read_frames, silent
from vaultplan.outputs.plan_view import likeliest_grade
from vaultplan.renewing import WATER_TABLES
from vaultplan.schema import GRADES
from vaultplan.settings import Settings
from vaultplan.spread import fit_models, forecast_with
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table

_REVIEWED: Final = ("row", "row_key", "severity", "column_name", "value", "fault", "remedy")
_LEARNED: Final = ("volume_gal_p10", "volume_gal_p50", "volume_gal_p90", "prob_heavy")
#: Vaults with new results whose forecasts are compared, before and after.
MOST_COMPARED: Final = 5000


@dataclass(frozen=True, slots=True)
class Recorded:
    """What became of results.

    ``review`` lists rows that someone should look at, those set aside and those loaded with a
    doubt; ``compared`` is that of :func:`vaultplan.analysis.results.against_plan`; ``learned`` has
    a row per vault, its forecast for ``on`` before and after.
    """

    loaded: Loaded
    visits: int
    review: pd.DataFrame
    compared: pd.DataFrame
    learned: pd.DataFrame
    on: pd.Timestamp | None

    @property
    def in_band(self) -> tuple[int, int]:
        """How many gallons lay within the band that was planned with, and of how many."""
        known = self.compared["in_band"].dropna()
        return int(known.sum()), len(known)


@dataclass(slots=True)
class _Sheet:
    """Gives results typed without an id one of vault and time, and notes the ids of all."""

    by_row: dict[int, str] = field(default_factory=dict)

    @property
    def ids(self) -> list[str]:
        return list(dict.fromkeys(self.by_row.values()))

    def __call__(self, job: TableIntake) -> None:
        read = job.source

        def rows() -> Iterator[Chunk]:
            self.by_row.clear()
            for chunk in read():
                yield self._with_ids(job, chunk)

        job.source = rows

    def _with_ids(self, job: TableIntake, chunk: Chunk) -> Chunk:
        names = job.columns_of(chunk)
        missing = {"vault_id", "visited_at"} - set(names)
        if missing and "visit_id" not in names:
            return chunk
        column = names.get("visit_id", "visit_id")
        given = chunk.frame.get(column)
        ids = _squeezed(given) if given is not None else pd.Series("", index=chunk.frame.index)
        if not missing:
            vault, time = (
                _squeezed(chunk.frame[names[name]]) for name in ("vault_id", "visited_at")
            )
            made = (vault + "@" + time).where(vault.ne("") & time.ne(""), "")
            ids = ids.where(ids.ne(""), made)
        rows = chunk.frame.index.to_numpy(dtype=np.int64).tolist()
        self.by_row.update({row: visit for row, visit in zip(rows, ids, strict=True) if visit})
        return replace(chunk, frame=chunk.frame.assign(**{column: ids}))


def _squeezed(text: pd.Series[Any]) -> pd.Series[str]:
    told: pd.Series[str] = text.astype("str").fillna("")
    return told.str.split().str.join(" ")


def record(
    location: str,
    file: Path,
    *,
    column_map: Path | None = None,
    layer: str | None = None,
    apply: Collection[str] = (),
    now: pd.Timestamp | None = None,
    is_strict: bool = False,
    with_forecasts: bool = True,
    settings: Settings,
    on_step: OnStep = silent,
) -> Recorded:
    """Take in results of visits typed in a sheet, and tell what they change.

    Parameters
    ----------
    file
        Results, as for :func:`vaultplan.loading.load` into ``visits``. A row without a visit id
        gets one of its vault and time as written: the same sheet again changes nothing.
    column_map, layer, apply, now, is_strict
        As there.
    with_forecasts
        Whether the touched vaults are forecast before and after.

    Raises
    ------
    SettingsError, BadRowsError, SchemaError
        As there; then nothing is recorded.

    Notes
    -----
    A row that contradicts itself is recorded and listed for review; one that cannot be read is set
    aside as it stands. What the fleet teaches is that of before: only the readings and gradings of
    the touched vaults are new, until the next plan.
    """
    sheet = _Sheet()
    loaded = loading.load(
        location, "visits", file, column_map=column_map, layer=layer, apply=apply, now=now,
        is_strict=is_strict, prepare=sheet, settings=settings, on_step=on_step,
    )  # fmt: skip
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        load_id = str(loaded.outcome["load_id"].iloc[0])
        review = _review(database, load_id, sheet.by_row)
        visits = read_table(database, "visits", where={"visit_id": sheet.ids})
        compared = against_plan(visits, _jobs(database, list(visits["order_id"].dropna().unique())))
        touched = sorted(visits["vault_id"].unique())[:MOST_COMPARED]
        frames = read_frames(database, WATER_TABLES, on_step) if with_forecasts and touched else {}
    learned, on = pd.DataFrame(), None
    if frames:
        on_step(f"Forecast {len(touched):,} vaults before and after")
        learned, on = _learned(frames, sheet.ids, touched, settings)
    return Recorded(loaded, len(visits), review, compared, learned, on)


def learned_from(
    location: str, visit_ids: Sequence[str], *, settings: Settings, on_step: OnStep = silent
) -> tuple[pd.DataFrame, pd.Timestamp | None]:
    """Return what recorded visits changed: their vaults' forecasts without and with them.

    Returns
    -------
    tuple
        ``learned`` of :class:`Recorded`, and the day that is forecast; none if nothing is known
        but these visits.

    Raises
    ------
    SchemaError
        If there is no visit of any of those ids.
    """
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        visits = read_table(database, "visits", where={"visit_id": list(visit_ids)})
        if visits.empty:
            raise SchemaError(f"there is no visit {', '.join(visit_ids)}")
        frames = read_frames(database, WATER_TABLES, on_step)
    touched = sorted(visits["vault_id"].unique())
    on_step(f"Forecast {len(touched):,} vaults before and after")
    return _learned(frames, visit_ids, touched, settings)


def _review(database: Database, load_id: str, by_row: dict[int, str]) -> pd.DataFrame:
    found = read_table(database, "findings", where={"load_id": load_id})
    doubtful = found[found["severity"].isin(["error", "warning"]) & ~found["repaired"].eq(True)]
    told = doubtful.sort_values(["row", "number"], ignore_index=True)[list(_REVIEWED)]
    told["row_key"] = told["row"].map(by_row).fillna(told["row_key"])
    became = told["severity"].map({"error": "set aside", "warning": "recorded, look at it"})
    return told.drop(columns="severity").assign(became=became)


def _jobs(database: Database, order_ids: Sequence[str]) -> pd.DataFrame:
    """Return the jobs of the orders, each of the plan that counts and was made last."""
    jobs = read_table(database, "plan_jobs", where={"order_id": list(order_ids)})
    plans = read_table(database, "plans", columns=["plan_id", "made_at", "state"])
    told = jobs.merge(plans, on="plan_id")
    told = told.assign(counts=told["state"].eq("checked")).sort_values(["counts", "made_at"])
    return told.drop_duplicates("order_id", keep="last")


def _learned(
    frames: dict[str, pd.DataFrame], ids: Sequence[str], touched: Sequence[str], settings: Settings
) -> tuple[pd.DataFrame, pd.Timestamp | None]:
    """Return the touched vaults' forecasts without and with the new results, and their day."""
    as_of = week.data_end(frames, settings.time_zone)
    on = as_of + pd.Timedelta(days=1)
    known = sorted(set(touched) & set(frames["vaults"]["vault_id"]))
    points = week.cross(known, [on])
    is_new = frames["visits"]["visit_id"].isin(ids)
    before = {**frames, "visits": frames["visits"][~is_new].reset_index(drop=True)}
    if before["visits"].empty:
        return pd.DataFrame(), None
    water, grades = fit_models(before, as_of=as_of, settings=settings)
    first = forecast_with(water, grades, points, vaults=frames["vaults"])
    own = {**frames, "visits": frames["visits"][frames["visits"]["vault_id"].isin(known)]}
    water = refit(water, own, vault_ids=known, as_of=as_of)
    grades = regrade(grades, own, vault_ids=known, as_of=as_of, settings=settings)
    then = forecast_with(water, grades, points, vaults=frames["vaults"])
    told = first[["vault_id", *_LEARNED]].merge(
        then[["vault_id", *_LEARNED]], on="vault_id", suffixes=("_before", "_after")
    )
    for part, rows in (("before", first), ("after", then)):
        chances = rows.set_index("vault_id")[[f"prob_{grade}" for grade in GRADES]]
        told[f"grade_{part}"] = told["vault_id"].map(likeliest_grade(chances))
    return told, on
