"""How good the forecasts of a database would have been, as tables and as a page."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from vaultplan import week
from vaultplan.errors import SettingsError
from vaultplan.forecast.skill import HORIZON_DAYS, USUAL_ORIGINS, Backtest, backtest, origin_days
from vaultplan.forecast.skill_scores import Skill, summarise
from vaultplan.loading import OnStep, read_frames, silent
from vaultplan.outputs.publish import check_folder
from vaultplan.outputs.tables import write_table
from vaultplan.renewing import WATER_TABLES
from vaultplan.settings import Settings
from vaultplan.store.database import open_database

PAGE: Final = "skill.html"
SUMMARY: Final = "skill.csv"
POINTS: Final = "skill_points.parquet"
REFILLS: Final = "skill_refills.parquet"
LONGEST_HORIZON_DAYS: Final = 365


@dataclass(frozen=True, slots=True)
class Scored:
    """Past forecasts beside what was found, what they add up to, and the files written."""

    tested: Backtest
    skill: Skill
    written: tuple[Path, ...]


def skill(
    location: str,
    *,
    out: Path | None = None,
    first: pd.Timestamp | None = None,
    last: pd.Timestamp | None = None,
    origins: int | None = None,
    horizon_days: int = HORIZON_DAYS,
    as_of: pd.Timestamp | None = None,
    with_trees: bool = False,
    seed: int = 1,
    settings: Settings,
    on_step: OnStep = silent,
) -> Scored:
    """Return how good forecasts from past days would have been, on the database's own visits.

    Parameters
    ----------
    out
        Folder for the page, the summary and the points; made if need be.
    first, last, origins
        Days to forecast from, three months apart: from ``first`` to ``last``, or so many back
        from ``last``.
    as_of
        Last day whose visits count; the day the data end if not given.

    Raises
    ------
    SettingsError
        If the days contradict each other, or the horizon is not from 1 to 365 days.
    SchemaError
        If there are no visits to score, or too few before the days to forecast from.
    MissingExtraError
        If trees are asked for and scikit-learn is not installed.
    OutputError
        If ``out`` cannot be made or written to.
    """
    if first is not None and origins is not None:
        raise SettingsError("a first day and a number of days contradict each other; name one")
    if not 1 <= horizon_days <= LONGEST_HORIZON_DAYS:
        raise SettingsError(f"forecast from 1 to {LONGEST_HORIZON_DAYS} days ahead")
    if out is not None:
        check_folder(out)
    with open_database(location) as database:
        name = database.name
        settings = week.in_zone(settings, database.time_zone)
        frames = read_frames(database, WATER_TABLES, on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    days = origin_days(
        as_of,
        first=first,
        last=last,
        count=USUAL_ORIGINS if origins is None else origins,
        horizon_days=horizon_days,
    )
    tested = backtest(
        frames,
        settings=settings,
        as_of=as_of,
        origins=days,
        horizon_days=horizon_days,
        with_trees=with_trees,
        seed=seed,
        on_progress=lambda done, total: on_step("Forecast from past days", done, total),
    )
    on_step("Score the forecasts")
    found = summarise(tested, discharge=settings.discharge, seed=seed)
    written = () if out is None else _write(out, name, tested, found, on_step)
    return Scored(tested, found, written)


def summary(found: Skill) -> pd.DataFrame:
    """Return all scores as one table, a number per row."""
    events = found.events.melt(["event", "points"], var_name="measure")
    warned = found.warnings.melt(["warning", "threshold"], var_name="measure")
    return pd.concat(
        [
            found.scores,
            events.rename(columns={"event": "group"}).assign(
                part="chances", by="event", method="forecast"
            ),
            warned.rename(columns={"warning": "group"})
            .drop(columns="threshold")
            .assign(part="warnings", by="warning", method="forecast"),
        ],
        ignore_index=True,
    )


def _write(
    out: Path, name: str, tested: Backtest, found: Skill, on_step: OnStep
) -> tuple[Path, ...]:
    # Drawing takes a while to import, and no other command needs it.
    from vaultplan.outputs.skill.page import write_skill_page
    from vaultplan.outputs.skill.words import SkillFacts

    on_step("Write page and tables")
    out.mkdir(parents=True, exist_ok=True)
    facts = SkillFacts(
        name=name,
        as_of=tested.as_of,
        origins=tested.origins,
        horizon_days=tested.horizon_days,
        methods=tested.methods,
        points=len(tested.points),
        looked_at=tested.looked_at,
        vaults=tested.points["vault_id"].nunique(),
        working_depth_in=tested.working_depth_in,
    )
    write_skill_page(
        out / PAGE,
        facts,
        scores=found.scores,
        pit=found.pit,
        events=found.events,
        chances=found.chances,
        warnings=found.warnings,
    )
    write_table(summary(found), out / SUMMARY)
    write_table(tested.points, out / POINTS)
    write_table(tested.refills, out / REFILLS)
    return tuple(out / file for file in (PAGE, SUMMARY, POINTS, REFILLS))
