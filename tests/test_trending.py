"""Trends of the demo, and events from a file, through the command line."""

from __future__ import annotations

import pandas as pd
import pytest
from typer.testing import CliRunner

from vaultplan import trending
from vaultplan.cli import app
from vaultplan.errors import SettingsError
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table


@pytest.mark.parametrize("by", trending.GROUPS)
def test_every_vault_graded_counts_in_one_group(demo_file, by):
    found = trending.trended(str(demo_file), by=by, settings=Settings())
    whole = trending.trended(str(demo_file), settings=Settings())
    key = ["year", "quarter"]
    columns = ["looked_count", "dirty_count"]
    assert (
        found.quarters.groupby(key)[columns]
        .sum()
        .equals(whole.quarters.groupby(key)[columns].sum())
    )
    assert set(found.trends["group"]) == set(found.quarters["group"])


def test_events_of_a_file_are_weighed(demo_file, tmp_path):
    with open_database(str(demo_file)) as database:
        visits = read_table(database, "visits", columns=["vault_id", "grade"])
    most = visits.dropna()["vault_id"].value_counts().index[:60]
    events = tmp_path / "cleanings.csv"
    pd.DataFrame({"vault_id": most, "on": "2024-05-01"}).to_csv(events, index=False)
    told = CliRunner().invoke(
        app,
        [
            "trends",
            "--db",
            str(demo_file),
            "--events",
            str(events),
            "--out",
            str(tmp_path / "q.csv"),
        ],
    )
    assert told.exit_code == 0, told.output
    assert "against like vaults" in " ".join(told.output.split())
    assert {"group", "dirty_frac"} <= set(pd.read_csv(tmp_path / "q.csv").columns)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("vault_id,on\nSM-0001,2024-13-01\n", r"column on is no day .*row 2 \(2024-13-01\)"),
        ("vault_id,on\nSM-0001,2024-01-01\nX,2024-01-01\n", r"vault_id is not among .*row 3 \(X\)"),
        ("vault,on\n", "lacks column"),
    ],
)
def test_events_that_cannot_be_used_are_told(demo_file, tmp_path, text, words):
    path = tmp_path / "events.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=words):
        trending.trended(str(demo_file), events=path, settings=Settings())
