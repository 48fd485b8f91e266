"""Two who plan the same week: the second is told, and the first one's plan stays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from vaultplan import pipeline, replanning, week
from vaultplan.errors import ConflictError
from vaultplan.schema import table
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import replace_plan

pytestmark = pytest.mark.usefixtures("unwritten")

MONDAY = pd.Timestamp("2026-11-02")


def plan_of_another(location: str, plan_id: str, state: str = "checked") -> None:
    facts = {
        "plan_id": plan_id,
        "week_of": MONDAY,
        "as_of_on": MONDAY,
        "made_at": MONDAY.tz_localize("UTC"),
        "state": state,
    }
    plans = table("plans").conform(pd.DataFrame([facts]))
    with open_database(location) as other, other.writing("plans") as connection:
        replace_plan(connection, plan_id, {"plans": plans})


def states(location: str) -> dict[str, str]:
    with open_database(location) as database:
        plans = read_table(database, "plans")
    return dict(zip(plans["plan_id"], plans["state"], strict=True))


def test_a_plan_stored_meanwhile_is_not_superseded_unasked(
    town: str, tmp_path: Path, quick: Settings
) -> None:
    def meddle(step: str, done: int | None = None, total: int | None = None) -> None:
        if step == "Check the plan":
            plan_of_another(town, "theirs")

    out = tmp_path / "out"
    with pytest.raises(ConflictError, match=r"plan theirs, .* was stored by somebody else"):
        pipeline.plan(town, out=out, week_of=MONDAY, settings=quick, on_step=meddle)
    assert states(town) == {"theirs": "checked"}
    made = pipeline.plan(town, out=out, week_of=MONDAY, settings=quick)
    assert states(town) == {"theirs": "superseded", made.plan_id: "checked"}


def test_a_plan_that_is_started_from_may_not_change_meanwhile(
    town_file: str, tmp_path: Path, quick: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody stores a plan after the one to start from was chosen, before the week is read."""
    first = pipeline.plan(town_file, out=tmp_path, week_of=MONDAY, settings=quick)
    open_week = week.open_week

    def meddle(*given: Any, **more: Any) -> week.Week:
        plan_of_another(town_file, "theirs")
        return open_week(*given, **more)

    monkeypatch.setattr(week, "open_week", meddle)
    with pytest.raises(ConflictError, match=r"plan theirs, .* was stored by somebody else"):
        replanning.replan(town_file, out=tmp_path, settings=quick)
    assert states(town_file) == {first.plan_id: "superseded", "theirs": "checked"}
