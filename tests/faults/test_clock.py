"""The clock set back between two loads or plans: later is what was stored later.

Moments are recorded as the clock told them. Ids of loads count, and of a week's plans the one that
was stored last counts, whatever the clock says.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from vaultplan import loading, mending, pipeline, week
from vaultplan.loading import silent
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

from .conftest import NOW
from .places import Place, is_sound

BACK = pd.Timedelta(days=400)


class SetBack(pd.Timestamp):
    """A clock that was set back more than a year."""

    @classmethod
    def now(cls, tz: object = None) -> pd.Timestamp:
        return pd.Timestamp(NOW - BACK)


def test_a_load_after_the_clock_was_set_back(
    place: Place, files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    location = place.set_back("half")
    monkeypatch.setattr("vaultplan.loading.pd.Timestamp", SetBack)
    more = files.with_name("more")
    loaded = loading.load(location, "all", more, now=NOW)
    assert loaded.outcome["load_id"].tolist() == ["L00025", "L00026"]
    with open_database(location) as database:
        entries = read_table(database, "loads")
        assert read_table(database, "vaults")["address"].str.endswith("(said anew)").all()
    assert entries["load_id"].is_monotonic_increasing
    assert (entries["loaded_at"].tail(2) < entries["loaded_at"].iloc[0]).all()
    assert mending.loads(location)["load_id"].tolist()[-2:] == ["L00025", "L00026"]
    is_sound(location)


def test_what_has_not_happened_yet_by_the_clock_waits_in_quarantine(
    place: Place, files: Path
) -> None:
    """Visits later than a clock set back are told as such, kept raw, and load when it is right."""
    location = place.set_back("half")
    visits = files.with_name("more") / "visits.csv"
    with open_database(location) as database:
        known = read_table(database, "visits")
    early = pd.Timestamp("2024-06-01T00:00Z")
    settings = Settings()
    intake = settings.intake.model_copy(update={"max_quarantine_frac": 1.0})
    settings = settings.model_copy(update={"intake": intake})
    loaded = loading.load(location, "visits", visits, now=early, settings=settings)
    (line,) = loaded.outcome.to_dict("records")
    assert line["quarantined"] > 0
    assert line["rows_in"] == line["loaded"] + line["repaired"] + line["quarantined"]
    with open_database(location) as database:
        now_known = read_table(database, "visits")
    assert set(known["visit_id"]) <= set(now_known["visit_id"])
    again = loading.load(location, "visits", visits, now=NOW, settings=settings)
    assert again.outcome["quarantined"].iloc[0] < line["quarantined"]


def test_of_a_weeks_plans_the_one_stored_last_counts(
    place: Place, quick: Settings, tmp_path: Path
) -> None:
    location = place.set_back("town")
    ids = []
    for seed, made_at in ((1, NOW), (2, NOW - BACK)):
        ahead = week.open_week(location, None, None, quick, silent)
        week.judge(ahead, silent, everywhere=False)
        week.schedule(ahead, seed, made_at, silent)
        week.store_checked(location, ahead, silent)
        ids.append(str(ahead.frames["plans"]["plan_id"].iloc[0]))
    with open_database(location) as database:
        plans = read_table(database, "plans").set_index("plan_id")
    assert plans.loc[ids, "state"].tolist() == ["superseded", "checked"]
    assert plans.loc[ids[1], "made_at"] < plans.loc[ids[0], "made_at"]
    name, breaches = pipeline.verify(location, settings=quick)
    assert name == ids[1]
    assert breaches.empty
