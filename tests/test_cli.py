"""Every verb as a user types it, on a small town of its own."""

from __future__ import annotations

import gzip
import shutil
import sqlite3
from importlib.resources import files
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
from typer.testing import CliRunner

from vaultplan import cli, loading, pipeline
from vaultplan.cli.console import settings_of
from vaultplan.errors import OutputError, ScheduleError, SchemaError, SettingsError, VaultplanError

VERBS = (
    *("demo", "new", "load", "check", "loads", "quarantine", "reload", "undo", "export"),
    *("forecast", "trace", "rank", "plan", "replan", "verify", "explain", "peek", "skill"),
    *(
        "watch",
        "samples",
        "trends",
        "draw",
        "hotspots",
        "report",
        "record",
        "board",
        "board-account",
    ),
    *("backup", "integrity", "compact", "upgrade", "grant-reading"),
)
DEMO = pipeline.demo_folder()
runner = CliRunner()


def run(*words: object) -> str:
    result = runner.invoke(cli.app, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's tables in a database, loaded by the command line."""
    database = tmp_path_factory.mktemp("cli") / "town.gpkg"
    run("new", "--crs", "EPSG:32606", "--time-zone", "Etc/GMT+10", "--db", database)
    run("load", "all", DEMO, "--db", database)
    return database


@pytest.mark.parametrize(
    "verb", [*VERBS, "rules", *(f"rules {word}" for word in ("rows", "test", "explain", "diff"))]
)
def test_every_verb_explains_itself_with_an_example(verb: str) -> None:
    text = run(*verb.split(), "--help")
    assert f"vaultplan {verb}" in text
    assert "Example" in text


def test_verbs_are_listed_as_they_are_walked() -> None:
    text = run("--help")
    places = [text.index(f" {verb} ") for verb in ("demo", "load", "plan", "record", "backup")]
    assert places == sorted(places)


def test_the_program_lists_exactly_its_verbs() -> None:
    named = {command.callback.__name__ for command in cli.app.registered_commands}
    assert {name.replace("_", "-") for name in named} == set(VERBS)
    assert [group.name for group in cli.app.registered_groups] == ["rules"]


def test_rules_are_listed_tested_explained_and_compared(loaded: Path, tmp_path: Path) -> None:
    assert "suspect_ground" in run("rules")
    assert "depth_in_feet" in run("rules", "rows")
    assert "0 wrong" in run("rules", "test")
    assert "Decided: " in run("rules", "explain", "SM-0001", "--db", loaded)
    assert "say the same" in run("rules", "diff", "ours", "ours")
    broken = tmp_path / "rules.toml"
    ours = files("vaultplan.discharge").joinpath("rules.toml").read_text(encoding="utf-8")
    broken.write_text(
        ours.replace("fires = [{ gutter_ft = 500.5 }]", "fires = [{ gutter_ft = 1 }]")
    )
    result = runner.invoke(cli.app, ["rules", "test", str(broken)])
    assert result.exit_code == 1
    assert "1 wrong" in result.output


def test_a_second_load_changes_nothing(loaded: Path) -> None:
    def dump() -> list[str]:
        with sqlite3.connect(loaded) as connection:
            kept = ("gpkg_contents", "sqlite_sequence", '"loads"', '"findings"')
            lines = connection.iterdump()
            return [line for line in lines if not any(name in line for name in kept)]

    before = dump()
    counts = loading.load(str(loaded), "all", DEMO).outcome
    assert counts["new"].sum() == counts["changed"].sum() == 0
    assert counts["same"].sum() > 20_000
    assert dump() == before


def test_a_whole_folder_loads_although_the_database_lies_in_it(tmp_path: Path) -> None:
    for file in ("trucks.csv", "spatial.gpkg"):
        shutil.copy(DEMO / file, tmp_path)
    database = str(tmp_path / "vaultplan.gpkg")
    loading.new(database, "EPSG:32606", time_zone="Etc/GMT+10")
    counts = loading.load(database, "all", tmp_path).outcome.set_index("table")
    assert counts.loc[["vaults", "trucks"], "new"].tolist() == [1500, 11]
    assert "vaultplan.gpkg" not in set(counts["file"])


def test_a_table_that_a_folder_holds_twice_is_refused(loaded: Path, tmp_path: Path) -> None:
    for name in ("trucks.csv", "trucks.TSV"):
        shutil.copy(DEMO / "trucks.csv", tmp_path / name)
    with pytest.raises(SettingsError, match="tables more than once: trucks in"):
        loading.load(str(loaded), "all", tmp_path)


def test_the_database_is_not_loaded_into_itself(loaded: Path) -> None:
    with pytest.raises(SettingsError, match="the database itself"):
        loading.load(str(loaded), "vaults", loaded, layer="vaults")


def test_check_finds_what_is_blank_and_writes_it(loaded: Path, tmp_path: Path) -> None:
    out = tmp_path / "findings.csv"
    run("check", "--db", loaded, "--out", out)
    findings = pd.read_csv(out)
    assert {"table", "column", "finding", "rows"} <= set(findings.columns)
    assert (findings["table"] == "vaults").any()


@pytest.mark.parametrize("ending", ["csv", "gpkg", "parquet"])
def test_forecast_writes_each_kind_of_table(loaded: Path, tmp_path: Path, ending: str) -> None:
    out = tmp_path / f"water.{ending}"
    some = pipeline.read_table(loading.open_database(str(loaded)), "vaults")["vault_id"].head(3)
    words = [word for vault in some for word in ("--vault", vault)]
    run("forecast", "--db", loaded, "--on", "2026-11-04", *words, "--out", out)
    if ending == "csv":
        frame = pd.read_csv(out)
    elif ending == "parquet":
        frame = pd.read_parquet(out)
    else:
        frame = pyogrio.read_dataframe(out)
        assert frame.crs is not None
    assert sorted(frame["vault_id"]) == sorted(some)
    assert (frame["volume_gal_p10"] <= frame["volume_gal_p90"]).all()


def test_a_table_is_never_written_over_the_database(tmp_path: Path) -> None:
    database = tmp_path / "town.gpkg"
    run("new", "--crs", "EPSG:32606", "--db", database)
    before = database.read_bytes()
    with pytest.raises(OutputError, match="is the database"):
        run("check", "--db", database, "--out", tmp_path / "." / "town.gpkg")
    assert database.read_bytes() == before


def test_forecast_of_points_keeps_their_order_and_each_once(loaded: Path, tmp_path: Path) -> None:
    points = tmp_path / "points.csv"
    points.write_text("vault_id,on\nSM-0003,2026-11-05\nSM-0001,2026-11-02\nSM-0003,2026-11-05\n")
    out = tmp_path / "water.csv"
    run("forecast", "--db", loaded, "--points", points, "--out", out)
    frame = pd.read_csv(out)
    assert frame["vault_id"].tolist() == ["SM-0003", "SM-0001"]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("vault_id,on\nSM-0001,2026-11-02\nSM-0001,2026-13-45\n,2026-11-02\n", "rows 3, 4"),
        ("vault_id,when\nSM-0001,2026-11-02\n", "needs the columns"),
        ("", "cannot be read"),
    ],
)
def test_points_that_cannot_be_meant_are_refused(
    loaded: Path, tmp_path: Path, text: str, fault: str
) -> None:
    points = tmp_path / "points.csv"
    points.write_text(text)
    with pytest.raises(SchemaError, match=fault):
        run("forecast", "--db", loaded, "--points", points)


def test_points_and_days_are_not_mixed(loaded: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="leave --on and --vault out"):
        run("forecast", "--db", loaded, "--points", tmp_path, "--vault", "SM-0001")


def test_trace_shows_a_path_in_words(loaded: Path) -> None:
    assert "SM-0001" in run("trace", "--db", loaded, "--vault", "SM-0001")


def test_an_unknown_vault_is_named(loaded: Path) -> None:
    with pytest.raises(VaultplanError, match="no such vault: NOWHERE"):
        run("trace", "--db", loaded, "--vault", "NOWHERE")


def test_verify_before_any_plan_says_what_to_do(loaded: Path) -> None:
    with pytest.raises(ScheduleError, match="vaultplan plan"):
        run("verify", "--db", loaded)


def test_errors_made_on_purpose_become_one_message(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    def fail() -> None:
        raise SettingsError("weights must not be negative [bold]x[/bold]")

    with pytest.raises(SystemExit) as stopped:
        cli.main(fail)
    assert stopped.value.code == 2
    assert "weights must not be negative [bold]x[/bold]" in capsys.readouterr().err


def test_a_crs_in_degrees_is_refused(tmp_path: Path) -> None:
    with pytest.raises(VaultplanError, match="not projected"):
        run("new", "--crs", "EPSG:4326", "--db", tmp_path / "x.gpkg")
    assert not (tmp_path / "x.gpkg").exists()


def test_settings_beside_the_database_are_used(loaded: Path) -> None:
    beside = loaded.with_name("vaultplan.toml")
    beside.write_text("[ranking]\nweight_volume = -1\n")
    try:
        with pytest.raises(SettingsError, match="weight_volume"):
            run("rank", "--db", loaded)
    finally:
        beside.unlink()


def test_settings_here_are_used_with_a_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "vaultplan.toml").write_text("[outputs]\npaper = 'a4'\n")
    monkeypatch.chdir(tmp_path)
    assert settings_of(None, "postgresql://planner@localhost/fleet").outputs.paper == "a4"


def test_a_wrong_ending_is_refused_before_the_work(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="a table goes to"):
        run("forecast", "--db", tmp_path / "none.gpkg", "--out", tmp_path / "water.shp")


def test_the_version_is_told() -> None:
    assert run("--version").startswith("vaultplan ")


def test_a_forecast_of_points_comes_back_line_by_line(loaded: Path, tmp_path: Path) -> None:
    points, out = tmp_path / "points.csv", tmp_path / "water.csv"
    ids = pd.read_csv(DEMO / "visits.csv", dtype=str)["vault_id"].unique()[:5].tolist()
    asked = pd.DataFrame({"vault_id": [*ids, ids[0]], "on": ["2026-11-05"] * 5 + ["2026-11-20"]})
    asked.to_csv(points, index=False)
    words = ("--points", points, "--out", out, "--as-of", "2026-10-15", "--db", loaded)
    run("forecast", *words)
    found = pd.read_csv(out, dtype={"vault_id": str})
    assert found["vault_id"].tolist() == asked["vault_id"].tolist()
    assert found["on"].str[:10].tolist() == asked["on"].tolist()
    depth = found[[f"depth_in_p{percent:02d}" for percent in range(5, 100, 5)]]
    assert (depth.diff(axis=1).iloc[:, 1:] >= 0).all(axis=None)
    chances = found[["prob_clear", "prob_light", "prob_heavy"]].sum(axis=1)
    assert chances.tolist() == pytest.approx([1.0] * 6)
    assert (found["as_of_on"].str[:10] == "2026-10-15").all()


def test_a_vaults_inflow_and_what_moved_it_are_told(loaded: Path, tmp_path: Path) -> None:
    out = tmp_path / "why.csv"
    run("explain", "--since", "2026-09-30", "--out", out, "--db", loaded)
    found = pd.read_csv(out, dtype={"vault_id": str})
    assert found["vault_id"].is_unique
    assert set(found["inflow"]) >= {"rain", "groundwater", "unknown"}
    with pytest.raises(SettingsError, match="is not before"):
        run("explain", "--since", "2026-12-30", "--db", loaded)


def test_looks_that_pay_come_first(loaded: Path, tmp_path: Path) -> None:
    out = tmp_path / "looks.csv"
    run("peek", "--out", out, "--db", loaded)
    worth = pd.read_csv(out)["look_worth_usd"]
    assert worth.is_monotonic_decreasing
    assert worth.iloc[0] > 0 > worth.iloc[-1]


def test_the_skill_of_past_forecasts_is_told_on_a_page(loaded: Path, tmp_path: Path) -> None:
    out = tmp_path / "skill"
    text = run("skill", "--origins", "1", "--out", out, "--db", loaded)
    assert "Error of depth" in text
    page = (out / "skill.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert not [far for far in ('src="http', 'href="http', "url(http") if far in page]
    for head in ("In short", "Are the bands right", "Grades", "How it was tested"):
        assert head in page
    scores = pd.read_csv(out / "skill.csv")
    assert len(scores) > 20
    points = pd.read_parquet(out / "skill_points.parquet")
    assert len(points) > 100
    assert points["pit"].between(0, 1).all()
    with pytest.raises(SchemaError, match="too short a history"):
        run("skill", "--from", "2015-01-01", "--to", "2015-02-01", "--db", loaded)


def test_a_database_is_looked_after(loaded: Path, tmp_path: Path) -> None:
    copy = tmp_path / "friday.gpkg"
    assert "holds all of it, checked" in run("backup", copy, "--db", loaded)
    said = run("integrity", "--db", copy)
    assert "vaults" in said
    assert "The database is sound." in said
    assert "up to date: version" in run("upgrade", "--db", copy)
    with sqlite3.connect(copy) as connection:
        connection.execute("DROP INDEX ix_visits_vault_id")
    connection.close()
    result = runner.invoke(cli.app, ["integrity", "--db", str(copy)])
    assert result.exit_code == 1
    assert "ix_visits_vault_id: this index is missing; run 'vaultplan compact" in result.output
    assert "MB before" in run("compact", "--rebuild-indexes", "--db", copy)
    assert "The database is sound." in run("integrity", "--db", copy)


def test_an_old_database_says_how_it_is_brought_up_to_date(tmp_path: Path) -> None:
    kept = Path(__file__).parent / "store" / "versions" / "0001.gpkg.gz"
    old = tmp_path / "old.gpkg"
    old.write_bytes(gzip.decompress(kept.read_bytes()))
    result = runner.invoke(cli.app, ["check", "--db", str(old)])
    assert f"run 'vaultplan upgrade --db {old}'" in str(result.exception)
    said = run("upgrade", "--db", old)
    assert "were of version 0001" in said
    assert str(tmp_path / "old-tables-0001.gpkg") in said.replace("\n", "")
    run("check", "--db", old)
