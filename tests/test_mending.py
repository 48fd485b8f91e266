"""Quarantined rows loaded after all, and repairs taken back."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from vaultplan import exporting, loading, mending
from vaultplan.errors import SettingsError
from vaultplan.schema import table
from vaultplan.settings import IntakeSettings, Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert

NOW = pd.Timestamp("2026-10-31T00:00:00Z")
ANY = Settings(intake=IntakeSettings(max_quarantine_frac=1.0))
HEAD = "visit_id,vault_id,visited_at,finding,depth_in,left_depth_in,grade,notes\n"
ROWS = (
    "N1,SM-0001,2026-10-01T18:00:00Z,wet,12,0,clear,\n"
    'N2,SM-0002,2026-10-01T18:00:00Z,wet,12,0,"Very dirty, oily",=1+1\n'
    "N3,sm 3,2026-10-01T18:00:00Z,wet,12,0,clear,\n"
    "N4,LATER-1,2026-10-01T18:00:00Z,wet,12,0,clear,\n"
    "N5,SM-0005,2026-10-01T18:00:00Z,wet,12,40,clear,\n"
    "short,row\n"
)


def rows_of(location: str, name: str, **where: object) -> pd.DataFrame:
    with open_database(location) as database:
        return read_table(database, name, where=where)


def visits_of(location: str) -> pd.DataFrame:
    visits = rows_of(location, "visits").set_index("visit_id")
    return visits[visits.index.str.startswith("N")]


def adds_up(location: str, load_id: str) -> list[int]:
    """Loaded, repaired, quarantined of a load, after checking that they add up."""
    (entry,) = rows_of(location, "loads", load_id=load_id).to_dict("records")
    parts = [entry[f"rows_{state}"] for state in ("loaded", "repaired", "quarantined")]
    assert sum(parts) == entry["rows_in"]
    states = rows_of(location, "raw_rows", load_id=load_id)["state"].value_counts()
    assert "superseded" not in states
    assert states.get("quarantined", 0) == parts[2]
    assert states.get("repaired", 0) == parts[1]
    return [int(part) for part in parts]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "visits.csv"
    path.write_text(HEAD + ROWS, encoding="utf-8")
    return path


@pytest.fixture
def load_id(town: str, file: Path) -> str:
    outcome = loading.load(town, "visits", file, now=NOW, settings=ANY).outcome.iloc[0]
    assert outcome[["loaded", "repaired", "quarantined"]].tolist() == [2, 0, 4]
    return str(outcome["load_id"])


def test_repairs_asked_for_later_bring_rows_in(town: str, load_id: str) -> None:
    done = mending.reload(town, load_id, apply=["unknown_word"], now=NOW)
    assert (done.loaded, done.repaired, done.quarantined) == (0, 1, 3)
    assert visits_of(town).loc["N2", "grade"] == "heavy"
    assert adds_up(town, load_id) == [2, 1, 3]
    done = mending.reload(town, load_id, apply=["unknown_reference"], now=NOW)
    assert visits_of(town).loc["N3", "vault_id"] == "SM-0003"
    assert adds_up(town, load_id) == [2, 2, 2]
    applied = rows_of(town, "loads", load_id=load_id)["applied"].item()
    assert applied == "unknown_reference;unknown_word"


def test_rows_are_loaded_as_they_stand_once_what_they_name_is_there(
    town: str, load_id: str
) -> None:
    with open_database(town) as database, database.writing() as connection:
        vault = read_table(database, "vaults", where={"vault_id": "SM-0001"})
        upsert(connection, "vaults", vault.assign(vault_id="LATER-1"))
    done = mending.reload(town, load_id, now=NOW)
    assert (done.loaded, done.repaired, done.quarantined) == (1, 0, 3)
    assert done.waiting_elsewhere == ()
    assert visits_of(town).loc["N4", "vault_id"] == "LATER-1"
    assert adds_up(town, load_id) == [3, 0, 3]
    left = mending.quarantine(town, load_id)
    assert left["row_key"].tolist() == ["N2", "N3", ""]
    assert left["proposals"].fillna("").tolist() == ["grade = heavy", "vault_id = SM-0003", ""]


def test_rows_mended_in_a_spreadsheet_are_taken_back(
    town: str, load_id: str, tmp_path: Path
) -> None:
    out = tmp_path / "mend.csv"
    exporting.write_raw_rows(mending.quarantined_rows(town, load_id), out, location=town)
    text = out.read_text(encoding="utf-8")
    # What would run as a formula in a spreadsheet is guarded there, and comes back as it was.
    assert "'=1+1" in text
    table = pd.read_csv(out, dtype="str")
    table.loc[table["visit_id"] == "N2", "grade"] = "heavy"
    line = table["(line)"].notna()
    table.loc[line, ["visit_id", "vault_id", "visited_at"]] = [
        "N6", "SM-0006", "2026-10-03T18:00:00Z",
    ]  # fmt: skip
    table[table["visit_id"].isin(["N2", "N6"])].to_csv(out, index=False)
    done = mending.reload(town, load_id, file=out, now=NOW)
    assert (done.loaded, done.repaired, done.quarantined) == (2, 0, 0)
    visits = visits_of(town)
    assert visits.loc["N2", ["grade", "notes"]].tolist() == ["heavy", "=1+1"]
    assert visits.loc["N6", "vault_id"] == "SM-0006"
    assert adds_up(town, load_id) == [4, 0, 2]


def test_a_mended_file_of_other_rows_is_refused(town: str, load_id: str, tmp_path: Path) -> None:
    out = tmp_path / "mend.csv"
    out.write_text("(row),visit_id\n2,N1\n", encoding="utf-8")
    before = rows_of(town, "raw_rows")
    with pytest.raises(SettingsError, match=r"rows 2 of visits.csv do not wait in quarantine"):
        mending.reload(town, load_id, file=out, now=NOW)
    out.write_text("visit_id\nN1\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"has no column \(row\)"):
        mending.reload(town, load_id, file=out, now=NOW)
    pd.testing.assert_frame_equal(rows_of(town, "raw_rows"), before)


def test_repairs_are_taken_back_one_rule_or_all(town: str, file: Path) -> None:
    before = visits_of(town)
    loaded = loading.load(town, "visits", file, apply=["all"], now=NOW, settings=ANY)
    load_id = str(loaded.outcome["load_id"].item())
    assert adds_up(town, load_id) == [1, 3, 2]
    assert visits_of(town).loc["N5", ["depth_in", "left_depth_in"]].tolist() == [40, 12]

    done = mending.undo(town, load_id, rules=["left_more"], now=NOW)
    # A warning keeps no row out: it is loaded as it stands.
    assert (done.loaded, done.repaired, done.quarantined, done.left_alone) == (1, 0, 0, 0)
    assert visits_of(town).loc["N5", ["depth_in", "left_depth_in"]].tolist() == [12, 40]
    assert adds_up(town, load_id) == [2, 2, 2]

    done = mending.undo(town, load_id, now=NOW)
    assert (done.loaded, done.repaired, done.quarantined) == (0, 0, 2)
    assert not done.findings.duplicated(["rule", "column"]).any()
    assert sorted(visits_of(town).index) == sorted([*before.index, "N1", "N5"])
    assert adds_up(town, load_id) == [2, 0, 4]
    changes = rows_of(town, "changes", load_id=load_id)
    back = changes[changes["why"].fillna("") != ""]
    assert set(back["rule"]) == {"left_more", "unknown_word", "unknown_reference"}
    one = back[back["rule"] == "unknown_word"].iloc[0]
    assert (one["before"], one["after"]) == ("heavy", "Very dirty, oily")


def test_a_row_that_was_replaced_comes_back(town: str, tmp_path: Path) -> None:
    before = rows_of(town, "visits", visit_id="V0000003")
    path = tmp_path / "visits.csv"
    path.write_text(
        "visit_id,vault_id,visited_at,grade\n"
        'V0000003,SM-0001,2018-10-31T18:26:00Z,"muddy, oily"\n'
        "N9,SM-0001,2018-10-31T18:26:00Z,clear\n",
        encoding="utf-8",
    )
    loaded = loading.load(town, "visits", path, apply=["all"], now=NOW)
    load_id = str(loaded.outcome["load_id"].item())
    assert rows_of(town, "visits", visit_id="V0000003")["grade"].item() == "heavy"
    done = mending.undo(town, load_id, now=NOW)
    assert done.quarantined == 1
    pd.testing.assert_frame_equal(rows_of(town, "visits", visit_id="V0000003"), before)


def test_what_somebody_changed_since_is_left_alone(town: str, file: Path) -> None:
    loaded = loading.load(town, "visits", file, apply=["all"], now=NOW, settings=ANY)
    load_id = str(loaded.outcome["load_id"].item())
    with open_database(town) as database, database.writing() as connection:
        row = read_table(database, "visits", where={"visit_id": "N2"})
        upsert(connection, "visits", row.assign(grade="light"))
    done = mending.undo(town, load_id, now=NOW)
    assert done.left_alone == 1
    assert visits_of(town).loc["N2", "grade"] == "light"
    assert adds_up(town, load_id)[1] == 1


def test_places_are_put_back_where_they_were(town: str, tmp_path: Path) -> None:
    vaults = rows_of(town, "vaults").head(40)[["vault_id", "geometry"]]
    places = list(vaults.geometry)
    places[2] = Point(places[2].y, places[2].x)
    path = tmp_path / "vaults.gpkg"
    gpd.GeoDataFrame(vaults, geometry=places, crs=vaults.crs).to_file(path, engine="pyogrio")
    before = rows_of(town, "vaults")
    loaded = loading.load(town, "vaults", path, apply=["all"], now=NOW)
    assert loaded.outcome["repaired"].item() == 1
    load_id = str(loaded.outcome["load_id"].item())
    pd.testing.assert_frame_equal(rows_of(town, "vaults"), before)
    done = mending.undo(town, load_id, now=NOW)
    assert (done.quarantined, done.left_alone) == (1, 0)
    pd.testing.assert_frame_equal(rows_of(town, "vaults"), before)
    assert mending.reload(town, load_id, apply=["swapped_axes"], now=NOW).repaired == 1
    pd.testing.assert_frame_equal(rows_of(town, "vaults"), before)


def test_an_unknown_load_is_named(town: str) -> None:
    for call in (mending.reload, mending.undo):
        with pytest.raises(SettingsError, match="there is no load 'L9'; the latest are"):
            call(town, "L9", now=NOW)
    with pytest.raises(SettingsError, match="there is no load 'L9'"):
        mending.quarantine(town, "L9")


def test_rows_that_wait_for_others_are_named(town: str, file: Path, load_id: str) -> None:
    vaults = file.with_name("vaults.csv")
    vaults.write_text(
        'vault_id,kind,x,y\nLATER-1,"big room",500000,4206000\nLATER-2,vault,500000,4206000\n',
        encoding="utf-8",
    )
    outcome = loading.load(town, "vaults", vaults, now=NOW).outcome.iloc[0]
    assert outcome["quarantined"] == 1
    mend = file.with_name("mend.csv")
    rows = mending.quarantined_rows(town, outcome["load_id"]).assign(kind="vault")
    exporting.write_raw_rows(rows, mend, location=town)
    done = mending.reload(town, outcome["load_id"], file=mend, now=NOW)
    assert done.waiting_elsewhere == (load_id,)
    assert mending.reload(town, load_id, now=NOW).loaded == 1


def once(town: str, folder: Path, text: str, **options: object) -> str:
    path = folder / "visits.csv"
    path.write_text(text, encoding="utf-8")
    loaded = loading.load(town, "visits", path, now=NOW, settings=ANY, **options)
    return str(loaded.outcome["load_id"].item())


def test_two_rows_with_one_key_wait_until_somebody_mends_them(town: str, tmp_path: Path) -> None:
    text = HEAD + (
        "N1,SM-0001,2026-10-01T18:00:00Z,wet,12,0,clear,first\n"
        "N1,SM-0001,2026-10-01T18:00:00Z,wet,12,0,clear,second\n"
    )
    load_id = once(town, tmp_path, text)
    done = mending.reload(town, load_id, apply=["all"], now=NOW)
    assert (done.loaded, done.repaired) == (0, 0)
    assert visits_of(town).loc["N1", "notes"] == "first"
    assert adds_up(town, load_id) == [1, 0, 1]


def test_repairs_of_a_locked_period_are_not_taken_back(town: str, tmp_path: Path) -> None:
    """Neither those of visits in it, nor those that a visit of it would come back from."""
    inside = HEAD + 'N1,SM-0001,2026-10-01T18:00:00Z,wet,12,0,"muddy, oily",\n'
    outside = HEAD + 'N2,SM-0001,2026-09-01T18:00:00Z,wet,12,0,"muddy, oily",\n'
    first, second = (once(town, tmp_path, text, apply=["all"]) for text in (inside, outside))
    days = {"first_on": pd.Timestamp("2026-10-01"), "last_on": pd.Timestamp("2026-10-31")}
    lock = {"lock_id": "L", "who": "M", "why": "reported", "locked_at": NOW, **days}
    with open_database(town) as database, database.writing() as connection:
        upsert(connection, "locked_periods", table("locked_periods").conform(pd.DataFrame([lock])))
    before = visits_of(town).loc["N1"]
    done = mending.undo(town, first, now=NOW)
    assert (done.loaded, done.repaired, done.quarantined, done.left_alone) == (0, 0, 0, 1)
    pd.testing.assert_series_equal(visits_of(town).loc["N1"], before)
    assert mending.undo(town, second, now=NOW).left_alone == 0


def test_what_a_later_file_says_anew_is_neither_reloaded_nor_undone(
    town: str, tmp_path: Path
) -> None:
    waits = HEAD + 'N1,SM-0001,2026-10-01T18:00:00Z,wet,12,0,"muddy, oily",\n'
    mended = HEAD + 'N2,SM-0001,2026-10-02T18:00:00Z,wet,12,0,"muddy, oily",\n'
    first = once(town, tmp_path, waits)
    second = once(town, tmp_path, mended, apply=["all"])
    newer = (
        "N1,SM-0001,2026-10-01T18:00:00Z,wet,12,0,light,newer\n"
        "N2,SM-0001,2026-10-02T18:00:00Z,wet,12,0,heavy,\n"
    )
    once(town, tmp_path, HEAD + newer)
    done = mending.reload(town, first, apply=["all"], now=NOW)
    assert (done.loaded, done.repaired, done.quarantined) == (0, 0, 0)
    done = mending.undo(town, second, now=NOW)
    assert (done.loaded, done.quarantined, done.left_alone) == (0, 0, 0)
    assert visits_of(town).loc[["N1", "N2"], "grade"].tolist() == ["light", "heavy"]
    states = rows_of(town, "raw_rows", load_id=[first, second])["state"]
    assert set(states) == {"superseded"}


def test_repairs_in_other_units_and_of_several_columns_are_taken_back(
    town: str, tmp_path: Path
) -> None:
    recipe = tmp_path / "map.toml"
    recipe.write_text('[units]\nvolume_gal = "l"\n', encoding="utf-8")
    head = "visit_id,vault_id,visited_at,volume_gal\n"
    text = head + 'N1,SM-0001,01 Oct 2026 18:00,"1,000"\n'
    load_id = once(town, tmp_path, text, apply=["all"], column_map=recipe)
    visit = visits_of(town).loc["N1"]
    # NIST Handbook 44, Appendix C: a US gallon is 3.785411784 L.
    assert visit["volume_gal"] == pytest.approx(1000 / 3.785411784)
    changes = rows_of(town, "changes", load_id=load_id).set_index("column_name")["after"]
    assert float(changes["volume_gal"]) == pytest.approx(264.172, abs=0.001)
    done = mending.undo(town, load_id, now=NOW)
    assert (done.quarantined, done.left_alone) == (1, 0)
    assert "N1" not in visits_of(town).index
    again = mending.reload(town, load_id, apply=["all"], now=NOW)
    assert again.repaired == 1
    assert mending.undo(town, load_id, now=NOW).quarantined == 1
    back = rows_of(town, "changes", load_id=load_id)["why"].fillna("") != ""
    assert back.sum() * 2 == len(back)


def test_undo_makes_no_repair_that_a_row_never_had(town: str, tmp_path: Path) -> None:
    text = HEAD + (
        'N1,SM-0001,2026-10-01T18:00:00Z,wet,5,0,"muddy, oily",\n'
        "N2,SM-0002,2026-10-01T18:00:00Z,dry,5,20,clear,\n"
    )
    load_id = once(town, tmp_path, text, apply=["dry_with_water"])
    assert mending.reload(town, load_id, apply=["unknown_word", "left_more"], now=NOW).repaired == 1
    assert visits_of(town).loc["N2", "finding"] == "wet"
    mending.undo(town, load_id, rules=["dry_with_water"], now=NOW)
    assert visits_of(town).loc["N2", ["finding", "depth_in"]].tolist() == ["dry", 5]
    assert visits_of(town).loc["N1", "grade"] == "heavy"


def test_lines_that_fit_no_header_wait_on_alone(town: str, tmp_path: Path) -> None:
    load_id = once(town, tmp_path, HEAD + "short,row\n")
    for done in (
        mending.reload(town, load_id, apply=["all"], now=NOW),
        mending.reload(town, load_id, now=NOW),
    ):
        assert (done.loaded, done.repaired, done.quarantined) == (0, 0, 1)
    assert mending.quarantine(town, load_id)["why"].item().startswith("the row has 2 values")
    assert mending.undo(town, load_id, now=NOW).quarantined == 0
    mend = tmp_path / "mend.csv"
    mend.write_text("(row),visit_id\n2,N1,too many\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="row 2: the row has 3 values"):
        mending.reload(town, load_id, file=mend, now=NOW)
