"""Results typed in a sheet, recorded on both stores: nothing dropped, nothing twice."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest
from typer.testing import CliRunner

from vaultplan import mending, recording
from vaultplan.cli import app
from vaultplan.errors import VaultplanError
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows, read_table

#: A week after the demo's data end.
NOW = pd.Timestamp("2026-11-07")
HEAD = "Vault,Date/Time,Work Order,Finding,Depth (in),Grade,Disposal,Gallons\n"


def sheet(tmp_path, *rows: str):
    path = tmp_path / "results.csv"
    path.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def record(town, path, **more):
    settings = Settings.model_validate({"intake": {"max_quarantine_frac": 0.9}})
    return recording.record(town, path, **{"now": NOW, "settings": settings, **more})


def test_a_sheet_without_ids_is_recorded_once(town, tmp_path):
    path = sheet(
        tmp_path,
        "SM-0126,2026-11-03 11:00,,wet,40,heavy,vacuum_truck,2600",
        "SM-0409,2026-11-03 12:30,,dry,,,none,",
    )
    with open_database(town) as database:
        before = count_rows(database, "visits")
    first = record(town, path)
    again = record(town, path, with_forecasts=False)
    assert first.loaded.outcome["new"].tolist() == [2]
    assert again.loaded.outcome[["new", "same"]].values.tolist() == [[0, 2]]
    with open_database(town) as database:
        assert count_rows(database, "visits") == before + 2
        told = read_table(database, "visits", where={"visit_id": "SM-0126@2026-11-03 11:00"})
    # Local time of the database, ten hours behind UTC.
    assert told["visited_at"].tolist() == [pd.Timestamp("2026-11-03T21:00Z")]


def test_forecasts_of_the_touched_vaults_learn(town_file, tmp_path):
    path = sheet(
        tmp_path,
        "SM-0126,2026-11-03 11:00,,wet,60,heavy,none,",
        "SM-0409,2026-11-03 12:30,,dry,,,none,",
    )
    found = record(town_file, path)
    assert found.on == pd.Timestamp("2026-11-04")
    told = found.learned.set_index("vault_id")
    assert sorted(told.index) == ["SM-0126", "SM-0409"]
    wet, dry = told.loc["SM-0126"], told.loc["SM-0409"]
    assert wet["prob_heavy_after"] > wet["prob_heavy_before"]
    assert dry["volume_gal_p90_after"] < dry["volume_gal_p90_before"]
    assert record(town_file, path, with_forecasts=False).learned.empty


def test_contradictions_are_recorded_for_review_and_the_unreadable_set_aside(town_file, tmp_path):
    path = sheet(
        tmp_path,
        "SM-0126,2026-11-03 11:00,,dry,14,heavy,vacuum_truck,2600",
        "SM-9999,2026-11-03 12:00,,wet,5,clear,storm_drain,80",
        "SM-0409,2026-11-03 12:30,,wet,5,clear,storm_drain,80",
    )
    found = record(town_file, path, with_forecasts=False)
    outcome = found.loaded.outcome.iloc[0]
    assert (outcome["rows_in"], outcome["new"], outcome["quarantined"]) == (3, 2, 1)
    review = found.review.set_index("row_key")
    assert review.loc["SM-0126@2026-11-03 11:00", "became"] == "recorded, look at it"
    assert review.loc["SM-9999@2026-11-03 12:00", "became"] == "set aside"
    with open_database(town_file) as database:
        stored = read_table(database, "visits", where={"visit_id": "SM-0126@2026-11-03 11:00"})
    assert stored["finding"].tolist() == ["dry"] and stored["volume_gal"].tolist() == [2600.0]
    assert len(mending.quarantine(town_file)) >= 1


def test_ids_that_are_given_are_kept_and_blank_ones_made(town_file, tmp_path):
    path = tmp_path / "results.csv"
    path.write_text(
        "visit_id,vault_id,visited_at,finding\nN-1,SM-0126,2026-11-03T11:00-10:00,wet\n"
        ",SM-0409,2026-11-03T12:00-10:00,wet\n,,2026-11-03T12:00-10:00,wet\n",
        encoding="utf-8",
    )
    found = record(town_file, path, with_forecasts=False)
    assert found.visits == 2
    with open_database(town_file) as database:
        ids = ["N-1", "SM-0409@2026-11-03T12:00-10:00"]
        assert count_rows(database, "visits", {"visit_id": ids}) == 2


def test_a_sheet_that_is_none_is_refused_and_nothing_recorded(town_file, tmp_path):
    path = tmp_path / "notes.csv"
    path.write_text("colour,shape\nred,round\n", encoding="utf-8")
    with open_database(town_file) as database:
        before = count_rows(database, "visits")
    with pytest.raises(VaultplanError, match="vault_id"):
        record(town_file, path)
    with open_database(town_file) as database:
        assert count_rows(database, "visits") == before


def test_results_are_held_to_the_plan(planned_town, tmp_path):
    town_file = str(shutil.copy(planned_town, tmp_path / "town.gpkg"))
    with open_database(town_file) as database:
        planned = read_table(database, "plan_jobs")
    job = planned[planned["method"].eq("filter_sock") & planned["volume_gal_p90"].gt(50)].iloc[0]
    path = sheet(
        tmp_path,
        f"{job['vault_id']},2026-11-03 11:00,{job['order_id']},wet,40,heavy,vacuum_truck,99999",
    )
    told = CliRunner().invoke(
        app,
        ["record", str(path), "--db", town_file, "--today", "2026-11-06", "--no-forecast",
         "--out", str(tmp_path / "compared.csv")],
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    assert "within the band planned with in 0 of 1 visits" in " ".join(told.output.split())
    row = pd.read_csv(tmp_path / "compared.csv").iloc[0]
    assert row["order_id"] == job["order_id"]
    assert row["differs"].startswith("done: vacuum truck; dirtier than planned for: heavy; more")
