"""What the board's long work does, each a function for another process."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from vaultplan import analysing, drafting, explaining, mending, recording, replanning, reporting
from vaultplan import upstream as drains
from vaultplan import watching as watch_lists
from vaultplan.beside import Tell
from vaultplan.loading import OnStep
from vaultplan.settings import Settings

PAGE = "page.html"


def _steps(tell: Tell) -> OnStep:
    def told(step: str, done: int | None = None, total: int | None = None) -> None:
        tell((step, done or 0, total or 0))

    return told


def draw_vault(
    location: str, vault_id: str, settings: Settings, folder: Path, *, tell: Tell
) -> dict[str, Any]:
    """Write the page of one vault over time; return why it fills and where it would run."""
    told = explaining.explain(
        location, vault_ids=[vault_id], page=folder / PAGE, settings=settings, on_step=_steps(tell)
    )
    path = explaining.path_words(location, vault_id, settings=settings, on_step=_steps(tell))
    return {"files": (PAGE,), "ways": told, "path": path}


def watch(
    location: str, plan_id: str, settings: Settings, folder: Path, *, tell: Tell
) -> dict[str, Any]:
    """Write the watch-list of a plan; return its tables."""
    found = watch_lists.watch(
        location, plan_id=plan_id, page=folder / PAGE, settings=settings, on_step=_steps(tell)
    )
    frames = {name: _plain(frame) for name, frame in found.frames.items()}
    return {"files": (PAGE,), "frames": frames, "warnings": found.warnings, "as_of": found.as_of}


def look_behind(
    location: str, place: str, settings: Settings, _folder: Path, *, tell: Tell
) -> dict[str, Any]:
    """Return all vaults behind a place of the drains, and what they come to."""
    found = drains.behind(location, place, settings=settings, on_step=_steps(tell))
    return {"summary": found.summary, "vaults": _plain(found.vaults)}


def find_hot_spots(
    location: str, by: str, along: str, settings: Settings, folder: Path, *, tell: Tell
) -> dict[str, Any]:
    """Write the page of the hot spots; return them with their evidence."""
    found = analysing.hot_spots(
        location, by=by, along=along, page=folder / PAGE, settings=settings, on_step=_steps(tell)
    )
    return {"files": (PAGE,), "clusters": _plain(found.clusters), "facts": found.facts}


def report_year(
    location: str, year: int, settings: Settings, folder: Path, *, tell: Tell
) -> dict[str, Any]:
    """Write the report of a year; return its lines and the names of its files."""
    found = reporting.report(
        location, year=year, out=folder, settings=settings, on_step=_steps(tell)
    )
    return {"files": tuple(path.name for path in found.written), "lines": found.frames["lines"]}


def publish(
    location: str,
    out: Path,
    plan_id: str,
    begin: pd.DataFrame,
    settings: Settings,
    _folder: Path,
    *,
    tell: Tell,
) -> dict[str, Any]:
    """Make the plan again from a draft's tours, store it and write sheets, maps and layers."""
    found = replanning.replan(
        location, out=out, plan_id=plan_id, begin=begin, settings=settings, on_step=_steps(tell)
    )
    return {"plan_id": found.plan_id, "changes": found.changes, "cost": found.cost}


def solve(
    location: str,
    plan_id: str,
    settings: Settings,
    kept: Path | None,
    _folder: Path,
    *,
    tell: Tell,
) -> drafting.Draft:
    """Return a plan's draft solved again."""
    return drafting.solve_draft(location, plan_id, settings, kept, tell=tell)


def learn(
    location: str, visit_id: str, settings: Settings, _folder: Path, *, tell: Tell
) -> dict[str, Any]:
    """Return what a visit changed of its vault's forecast."""
    found, on = recording.learned_from(
        location, [visit_id], settings=settings, on_step=_steps(tell)
    )
    return {"learned": found, "on": on}


def repair(
    location: str,
    load_id: str,
    rules: Sequence[str],
    settings: Settings,
    _folder: Path,
    *,
    tell: Tell,
) -> dict[str, Any]:
    """Load the rows of a load that were set aside again, with repairs; return the counts."""
    found = mending.reload(location, load_id, apply=rules, settings=settings, on_step=_steps(tell))
    return {"loaded": found.loaded, "repaired": found.repaired, "quarantined": found.quarantined}


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table without shapes, which no page of the board draws."""
    return pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
