"""Loads: rows that are loaded, mended or set aside, the recipe beside the file, one transaction."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import textwrap
import zipfile
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely import Point

from vaultplan import exporting, loading, mending
from vaultplan.errors import BadRowsError, SchemaError, SettingsError, VaultplanError
from vaultplan.settings import IntakeSettings, Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows, read_table

NOW = pd.Timestamp("2026-10-31T00:00:00Z")
ANY = Settings(intake=IntakeSettings(max_quarantine_frac=1.0))
HEAD = "visit_id,vault_id,visited_at,finding,depth_in,grade\n"
DIRTY = HEAD + (
    "N1,SM-0001,2026-10-01T18:00:00Z,wet,12,clear\n"
    'N2,sm 2,2026-10-01T18:00:00Z,wet,12,"Very dirty, oily"\n'
    "N3,SM-0001,yesterday,wet,12,clear\n"
    "N4,SM-0001,2026-10-02T18:00:00Z,,DRY,\n"
    "N5,NOBODY-7,2026-10-02T18:00:00Z,wet,9,light\n"
    "N6,SM-0003,2026-10-02T18:00:00Z,wet,3,light\n"
)


def rows_of(location: str, name: str) -> pd.DataFrame:
    with open_database(location) as database:
        return read_table(database, name)


@pytest.fixture
def dirty(tmp_path: Path) -> Path:
    path = tmp_path / "visits.csv"
    path.write_text(DIRTY, encoding="utf-8")
    return path


def test_a_file_with_fewer_columns_leaves_the_others_as_they_were(
    town_file: str, tmp_path: Path
) -> None:
    path = tmp_path / "trucks.csv"
    path.write_text(
        "truck_id,kind,depot_id,shift_from,shift_to\nC01,crew,SM-D2,08:00,16:00\n", encoding="utf-8"
    )
    before = rows_of(town_file, "trucks").set_index("truck_id").loc["C01"]
    counts = loading.load(town_file, "trucks", path).outcome
    assert counts[["new", "changed", "same"]].iloc[0].tolist() == [0, 1, 0]
    after = rows_of(town_file, "trucks").set_index("truck_id").loc["C01"]
    told = ["depot_id", "shift_from", "shift_to"]
    assert after[told].tolist() == ["SM-D2", "08:00", "16:00"]
    untold = [name for name in before.index if name not in told]
    assert after[untold].equals(before[untold])


def test_sound_rows_are_loaded_and_the_others_set_aside(town: str, dirty: Path) -> None:
    loaded = loading.load(town, "visits", dirty, now=NOW, settings=ANY)
    outcome = loaded.outcome.iloc[0]
    assert outcome[["rows_in", "loaded", "repaired", "quarantined"]].tolist() == [6, 2, 0, 4]
    new = rows_of(town, "visits").query("visit_id.str.startswith('N')")
    assert new["visit_id"].tolist() == ["N1", "N6"]
    aside = rows_of(town, "raw_rows").set_index("row")
    assert aside["row_key"].to_dict() == {3: "N2", 4: "N3", 5: "N4", 6: "N5"}
    assert set(aside["state"]) == {"quarantined"}
    assert aside["rules"].to_dict() == {
        3: "unknown_reference;unknown_word",
        4: "not_a_time",
        5: "word_for_dry",
        6: "unknown_reference",
    }
    assert json.loads(aside.loc[5, "raw"])["depth_in"] == "DRY"
    (entry,) = rows_of(town, "loads").query("load_id == @outcome.load_id").to_dict("records")
    parts = entry["rows_loaded"] + entry["rows_repaired"] + entry["rows_quarantined"]
    assert entry["rows_in"] == parts == 6


def test_repairs_are_made_only_when_asked_for_and_are_recorded(town: str, dirty: Path) -> None:
    loaded = loading.load(
        town, "visits", dirty, apply=["unknown_word", "word_for_dry"], now=NOW, settings=ANY
    )
    assert loaded.outcome[["loaded", "repaired", "quarantined"]].iloc[0].tolist() == [2, 1, 3]
    visits = rows_of(town, "visits").set_index("visit_id")
    assert visits.loc["N4", "depth_in"] == 0.0
    assert visits.loc["N4", "finding"] == "dry"
    # N2 still names an unknown vault, so its grade is not mended on its own.
    assert "N2" not in visits.index
    changes = rows_of(town, "changes")
    told = changes[["row_key", "column_name", "before", "after", "rule"]].values.tolist()
    assert sorted(told) == [
        ["N4", "depth_in", "DRY", "0", "word_for_dry"],
        ["N4", "finding", told[0][2] if told[0][1] == "finding" else told[1][2], "dry",
         "word_for_dry"],
    ]  # fmt: skip
    assert set(changes["load_id"]) == set(loaded.outcome["load_id"])


def test_strict_refuses_the_file_whole(town_file: str, dirty: Path) -> None:
    before = rows_of(town_file, "visits")
    with pytest.raises(BadRowsError, match=r"visits.csv was not loaded into visits: 5 fault"):
        loading.load(town_file, "visits", dirty, is_strict=True, now=NOW)
    pd.testing.assert_frame_equal(rows_of(town_file, "visits"), before)
    assert rows_of(town_file, "raw_rows").empty


def test_a_file_that_is_mostly_wrong_is_refused_with_the_reasons(
    town_file: str, dirty: Path
) -> None:
    before = rows_of(town_file, "loads")
    with pytest.raises(SchemaError) as refused:
        loading.load(town_file, "visits", dirty, now=NOW)
    told = str(refused.value)
    assert "4 of its 6 rows would be quarantined, more than 50%; nothing was written" in told
    assert "unknown_reference, column vault_id" in told
    assert "row 3, column vault_id: is not known in vaults ('sm 2')" in told
    pd.testing.assert_frame_equal(rows_of(town_file, "loads"), before)


def test_visits_before_their_vaults_are_refused_with_advice(
    made_file: Path, dirty: Path, tmp_path: Path
) -> None:
    location = str(tmp_path / "new.gpkg")
    loading.new(location, "EPSG:32606", time_zone="Etc/GMT+10")
    with pytest.raises(SchemaError, match="load vaults first"):
        loading.load(location, "visits", dirty, now=NOW)


FOREIGN = """\
Struct No;Type;Len (in);Wid (in);Depth (in);X Coord;Y Coord;Insp By
0007;MH;60;60;84;500000,5;4206000;T. Shoal
0008;V;72;120;96;500100,5;4206000;T. Shoal
"""


def test_a_foreign_file_is_read_by_a_guessed_recipe_and_again_by_the_same(
    town_file: str, tmp_path: Path
) -> None:
    path = tmp_path / "export.csv"
    path.write_text(FOREIGN, encoding="utf-8")
    loaded = loading.load(town_file, "vaults", path, now=NOW)
    recipe = loaded.recipes["vaults"]
    assert recipe.is_new
    assert loaded.written == (tmp_path / "export.csv.vaults.toml",)
    vaults = rows_of(town_file, "vaults").set_index("vault_id")
    assert vaults.loc["0007", "kind"] == "manhole"
    assert vaults.loc["0008", ["length_ft", "width_ft", "depth_ft"]].tolist() == [6.0, 10.0, 8.0]
    assert vaults.loc["0007", "geometry"] == Point(500000.5, 4206000)
    again = loading.load(town_file, "vaults", path, now=NOW)
    assert again.recipes["vaults"].guess is None
    assert again.outcome[["new", "changed", "same"]].iloc[0].tolist() == [0, 0, 2]


def test_times_without_a_zone_are_local_where_none_names_one(
    town_file: str, tmp_path: Path
) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Insp #,Vault No.,Insp Date,Water (in),Condition\n"
        "N1,SM-0001,10/01/2026 08:00,5,CLR\nN2,SM-0002,10/13/2026 09:30,DRY,\n"
        'N3,SM-0003,10/14/2026 09:30,7,"dirty, oily"\n',
        encoding="utf-8",
    )
    loaded = loading.load(town_file, "visits", path, apply=["all"], now=NOW)
    assert loaded.outcome[["loaded", "repaired"]].values.tolist() == [[1, 2]]
    visits = rows_of(town_file, "visits").set_index("visit_id")
    assert visits.loc["N1", "visited_at"] == pd.Timestamp("2026-10-01T18:00:00Z")
    assert visits.loc[["N1", "N2", "N3"], "depth_in"].tolist() == [5, 0, 7]
    assert visits.loc[["N1", "N3"], "grade"].tolist() == ["clear", "heavy"]
    assert loaded.recipes["visits"].column_map.time_zone == "Etc/GMT+10"


def test_a_recipe_that_is_edited_is_obeyed(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text(FOREIGN, encoding="utf-8")
    (written,) = loading.load(town_file, "vaults", path, now=NOW).written
    text = written.read_text(encoding="utf-8")
    assert 'depth_ft = "in"' in text
    written.write_text(text.replace('depth_ft = "in"', 'depth_ft = "cm"'), encoding="utf-8")
    loading.load(town_file, "vaults", path, now=NOW)
    depth = rows_of(town_file, "vaults").set_index("vault_id").loc["0008", "depth_ft"]
    assert depth == pytest.approx(96 / 2.54 / 12)


def test_every_row_of_a_folder_is_accounted_for(town_file: str) -> None:
    entries = rows_of(town_file, "loads")
    parts = entries["rows_loaded"] + entries["rows_repaired"] + entries["rows_quarantined"]
    assert (entries["rows_in"] == parts).all()
    assert entries["rows_quarantined"].sum() == 0
    found = rows_of(town_file, "findings")
    assert "error" not in set(found["severity"])
    with open_database(town_file) as database:
        for entry in entries.itertuples():
            assert count_rows(database, entry.table_name) == entry.rows_in


SOUND = HEAD + "".join(f"N{i},SM-000{i},2026-10-0{i}T18:00:00Z,wet,12,clear\n" for i in range(1, 9))
blows = st.lists(
    st.tuples(
        st.integers(0, len(SOUND)),
        st.integers(0, 30),
        st.one_of(
            st.binary(max_size=8),
            st.sampled_from(
                [b'"', b",", b"\r\n", b"\n\n", b"\0", b"=cmd|' /C calc'!A0", b"9" * 400, b"N1,"]
            ),
        ),
    ),
    min_size=1,
    max_size=5,
)


@pytest.fixture(scope="module")
def damaged(tmp_path_factory: pytest.TempPathFactory, demo_file: Path) -> str:
    path = tmp_path_factory.mktemp("hurt") / "town.gpkg"
    path.write_bytes(demo_file.read_bytes())
    return str(path)


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(blows)
def test_whatever_happens_to_a_file_its_rows_add_up_or_nothing_is_loaded(
    damaged: str, blows: list[tuple[int, int, bytes]]
) -> None:
    content = SOUND.encode()
    for at, length, put in blows:
        content = content[:at] + put + content[at + length :]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "visits.csv"
        path.write_bytes(content)
        before = len(rows_of(damaged, "loads"))
        try:
            outcome = loading.load(damaged, "visits", path, now=NOW, settings=ANY).outcome.iloc[0]
        except VaultplanError as error:
            assert str(path) in str(error)
            assert len(rows_of(damaged, "loads")) == before
            return
    parts = outcome["loaded"] + outcome["repaired"] + outcome["quarantined"]
    assert outcome["rows_in"] == parts
    aside = rows_of(damaged, "raw_rows").query("load_id == @outcome.load_id")
    assert (aside["state"] == "quarantined").sum() == outcome["quarantined"]
    written = outcome["new"] + outcome["changed"] + outcome["same"]
    assert written == outcome["loaded"] + outcome["repaired"]


KILLED = """
import os, signal, sys
import pandas as pd
from pathlib import Path
from vaultplan import loading
from vaultplan.settings import IntakeSettings, Settings

location, file, rows = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])

def on_step(step, done=None, total=None):
    if step == "Load visits" and done is not None and done >= rows:
        os.kill(os.getpid(), signal.SIGKILL)

settings = Settings(intake=IntakeSettings(max_quarantine_frac=1.0))
loading.load(location, "visits", file, on_step=on_step, settings=settings)
"""


@pytest.mark.parametrize("rows", [1, 60_000])
def test_a_load_killed_in_the_middle_leaves_the_database_as_before(
    town_file: str, tmp_path: Path, rows: int
) -> None:
    path = tmp_path / "visits.csv"
    lines = (
        f"K{i},SM-{i % 1500 + 1:04d},2026-09-01T18:00:00Z,wet,{'x' if i % 50 == 0 else 12},clear\n"
        for i in range(120_000)
    )
    path.write_text(HEAD + "".join(lines), encoding="utf-8")
    names = ("visits", "raw_rows", "findings", "changes", "loads")
    before = {name: rows_of(town_file, name) for name in names}
    command = [sys.executable, "-c", textwrap.dedent(KILLED), town_file, str(path), str(rows)]
    done = subprocess.run(command, capture_output=True, check=False, env=os.environ)
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    for name in names:
        pd.testing.assert_frame_equal(rows_of(town_file, name), before[name])
    outcome = loading.load(town_file, "visits", path, settings=ANY).outcome.iloc[0]
    assert outcome[["rows_in", "quarantined"]].tolist() == [120_000, 2_400]


def test_rows_in_the_wrong_place_are_brought_home_when_asked(
    town_file: str, tmp_path: Path
) -> None:
    vaults = rows_of(town_file, "vaults").head(40)[["vault_id", "kind", "geometry"]]
    vaults["vault_id"] = "T" + vaults["vault_id"]
    places = list(vaults.geometry)
    places[3] = Point(places[3].y, places[3].x)
    places[5] = Point(0, 0)
    spoiled = gpd.GeoDataFrame(vaults, geometry=places, crs=vaults.crs)
    path = tmp_path / "vaults.gpkg"
    spoiled.to_file(path, engine="pyogrio")
    first = loading.load(town_file, "vaults", path, now=NOW)
    assert first.outcome["quarantined"].tolist() == [2]
    again = loading.load(town_file, "vaults", path, apply=["all"], now=NOW)
    assert again.outcome[["repaired", "quarantined"]].values.tolist() == [[1, 1]]
    moved = rows_of(town_file, "vaults").set_index("vault_id").loc[vaults["vault_id"].iloc[3]]
    assert moved.geometry.distance(vaults.geometry.iloc[3]) < 1e-6
    (change,) = rows_of(town_file, "changes").query("column_name == 'geometry'").to_dict("records")
    assert change["before"] == places[3].wkt


def test_sizes_that_nobody_measured_are_never_bare_numbers(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "vaults.csv"
    path.write_text(
        "vault_id,kind,shape,length_ft,width_ft,depth_ft,x,y\n"
        "T1,vault,rectangular,5,10,,500000,4206000\n"
        "T2,vault,rectangular,5,10,84,500010,4206000\n"
        "T3,manhole,round,5,,2.1,500020,4206000\n"
        "T4,vault,rectangular,5,10,0,500030,4206000\n"
        "T5,vault,rectangular,5,10,7,500040,4206000\n",
        encoding="utf-8",
    )
    loaded = loading.load(town_file, "vaults", path, now=NOW)
    assert loaded.outcome[["loaded", "quarantined"]].values.tolist() == [[3, 2]]
    again = loading.load(town_file, "vaults", path, apply=["all"], now=NOW)
    assert again.outcome[["loaded", "repaired"]].values.tolist() == [[1, 4]]
    vaults = rows_of(town_file, "vaults").set_index("vault_id")
    known = vaults[(vaults["kind"] == "vault") & ~vaults.index.str.startswith("T")]
    assert vaults.loc["T1", "depth_ft"] == known["depth_ft"].median()
    low, high = known["depth_ft"].quantile([0.1, 0.9])
    assert vaults.loc["T1", "imputed"] == f"depth_ft={low:.1f}-{high:.1f}"
    assert vaults.loc["T2", "depth_ft"] == pytest.approx(7.0)
    assert vaults.loc["T3", "depth_ft"] == pytest.approx(2.1 / 0.3048, abs=0.001)
    assert vaults.loc["T4", "imputed"].startswith("depth_ft=")
    assert vaults.loc[["T2", "T3", "T5"], "imputed"].isna().all()


def test_unknown_rules_and_tables_are_refused_before_anything_is_read(
    town_file: str, tmp_path: Path
) -> None:
    with pytest.raises(SettingsError, match="no rule magic"):
        loading.load(town_file, "visits", tmp_path / "none.csv", apply=["magic"])
    with pytest.raises(SettingsError, match="'plans' is not loaded from files"):
        loading.load(town_file, "plans", tmp_path / "none.csv")


def test_quarantine_names_what_stands_in_no_column(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "visits.csv"
    path.write_text(SOUND + "too,short\n", encoding="utf-8")
    outcome = loading.load(town_file, "visits", path, now=NOW).outcome.iloc[0]
    listed = mending.quarantine(town_file, outcome["load_id"])
    assert listed["row"].tolist() == [10]
    assert listed["why"].tolist() == ["the row has 2 values, the header 6 (too,short)"]


def test_a_repair_leaves_columns_alone_that_the_file_does_not_have(
    town: str, tmp_path: Path
) -> None:
    visits = rows_of(town, "visits")
    known = visits[visits["finding"] == "wet"].head(2)
    path = tmp_path / "visits.csv"
    path.write_text(
        "visit_id,vault_id,visited_at,depth_in\n"
        f"{known['visit_id'].iloc[0]},SM-0001,2026-10-01T18:00:00Z,7\n"
        "N1,SM-0001,2026-10-02T18:00:00Z,dry\n",
        encoding="utf-8",
    )
    loading.load(town, "visits", path, apply=["all"], now=NOW)
    after = rows_of(town, "visits").set_index("visit_id")
    assert after.loc[known["visit_id"].iloc[0], "finding"] == "wet"
    assert after.loc["N1", ["finding", "depth_in"]].tolist() == ["dry", 0.0]


def test_marks_of_sizes_come_and_go_one_by_one(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "vaults.csv"

    def load(head: str, row: str) -> object:
        text = f"vault_id,kind,shape,{head},x,y\nT1,vault,rectangular,{row},500000,4206000\n"
        path.write_text(text, encoding="utf-8")
        path.with_name("vaults.csv.vaults.toml").unlink(missing_ok=True)
        loading.load(town_file, "vaults", path, apply=["all"], now=NOW)
        return rows_of(town_file, "vaults").set_index("vault_id").loc["T1", "imputed"]

    first = load("depth_ft", "")
    assert str(first).startswith("depth_ft=")
    assert ";" not in str(first)
    both = load("width_ft", "")
    assert [mark.split("=")[0] for mark in str(both).split(";")] == ["width_ft", "depth_ft"]
    assert str(load("depth_ft", "6.5")).startswith("width_ft=")
    assert pd.isna(load("width_ft", "9"))


def test_a_repeated_key_whose_reference_had_to_be_mended(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "rainfall.csv"
    path.write_text(
        "gauge_id,fell_on,rain_in\nSM-G1,2026-12-30,0.1\nsm g1,2026-12-30,0.2\n"
        "SM-G1,2026-12-31,n/a\n",
        encoding="utf-8",
    )
    outcome = loading.load(
        town_file, "rainfall", path, apply=["all"], now=NOW, settings=ANY
    ).outcome
    assert outcome[["loaded", "repaired", "quarantined"]].values.tolist() == [[1, 0, 2]]
    aside = rows_of(town_file, "raw_rows").set_index("row")
    assert "key_twice" in aside.loc[3, "rules"]
    assert aside.loc[4, "rules"] == "blank"


def test_a_repair_counts_only_where_the_row_came_in(town_file: str, dirty: Path) -> None:
    loaded = loading.load(town_file, "visits", dirty, apply=["unknown_word"], now=NOW, settings=ANY)
    line = loaded.findings.query("rule == 'unknown_word'").iloc[0]
    assert line[["rows", "mendable", "repaired"]].tolist() == [1, 1, 0]
    assert not rows_of(town_file, "findings").query("rule == 'unknown_word'")["repaired"].any()


def test_a_point_among_decimal_commas_is_a_finding(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "visits.csv"
    recipe = tmp_path / "map.toml"
    recipe.write_text('decimal = ","\n', encoding="utf-8")
    path.write_text(
        "visit_id,vault_id,visited_at,volume_gal\n"
        'N1,SM-0001,2026-10-01T18:00:00Z,"1,5"\n'
        "N2,SM-0001,2026-10-02T18:00:00Z,1.234\n"
        "N3,SM-0001,2026-10-03T18:00:00Z,12\n",
        encoding="utf-8",
    )
    loaded = loading.load(town_file, "visits", path, column_map=recipe, now=NOW)
    assert loaded.outcome["quarantined"].item() == 1
    assert loaded.findings.query("rule == 'decimal_point'")["mendable"].item() == 1
    visits = rows_of(town_file, "visits").set_index("visit_id")
    assert visits.loc[["N1", "N3"], "volume_gal"].tolist() == [1.5, 12]


def test_a_file_in_an_archive_is_read_as_what_it_is(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "visits.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(
            "inner.csv",
            "visit_id,vault_id,visited_at,notes,grade\n"
            "N1,SM-0001,2026-10-01T18:00:00Z,'=1+1,clear\n"
            "N2,SM-0001,2026-10-02T18:00:00Z,'=1+1,so so\n"
            "N3,SM-0001,2026-10-03T18:00:00Z,,clear\n",
        )
    loaded = loading.load(town_file, "visits", path, now=NOW)
    load_id = loaded.outcome["load_id"].item()
    visits = rows_of(town_file, "visits").set_index("visit_id")
    assert visits.loc["N1", "notes"] == "=1+1"
    assert rows_of(town_file, "loads").set_index("load_id").loc[load_id, "file"] == "visits.zip.csv"
    rows = mending.quarantined_rows(town_file, load_id).assign(grade="light")
    mend = tmp_path / "mend.csv"
    exporting.write_raw_rows(rows, mend, location=town_file)
    assert mending.reload(town_file, load_id, file=mend, now=NOW).loaded == 1
    assert rows_of(town_file, "visits").set_index("visit_id").loc["N2", "notes"] == "=1+1"


def test_one_layer_of_many_is_found_by_its_name(town_file: str) -> None:
    path = Path(__file__).parents[1] / "data" / "demo" / "spatial.gpkg"
    outcome = loading.load(town_file, "inlets", path, now=NOW).outcome
    assert outcome["same"].tolist() == outcome["rows_in"].tolist()


def test_a_refused_file_still_leaves_its_guessed_recipe(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "Insp No,Vault No,Insp Date,Depth\nN1,NOBODY,10/01/2026 08:00,5\n", encoding="utf-8"
    )
    with pytest.raises(SchemaError, match=r"guessed recipe, written to .*log.csv.visits.toml"):
        loading.load(town_file, "visits", path, now=NOW)
    assert (tmp_path / "log.csv.visits.toml").is_file()


def test_today_ends_when_it_ends_there(town_file: str, tmp_path: Path) -> None:
    path = tmp_path / "visits.csv"
    # 15:00 local time in UTC-10 is already the next day in UTC.
    path.write_text(
        "visit_id,vault_id,visited_at\nN1,SM-0001,2026-10-31T01:00:00Z\n", encoding="utf-8"
    )
    end = pd.Timestamp("2026-10-31")
    assert loading.load(town_file, "visits", path, now=end).outcome["loaded"].item() == 1


def test_a_pipe_is_judged_by_the_pipes_that_are_there(town_file: str, tmp_path: Path) -> None:
    pipes = rows_of(town_file, "drain_pipes")
    inner = pipes["from_node"].isin(pipes["to_node"]) & pipes["to_node"].isin(pipes["from_node"])
    one = pipes[inner & (pipes["from_node"] != pipes["to_node"])].head(1).reset_index(drop=True)
    turned = one.set_geometry(one.geometry.reverse())
    path = tmp_path / "drain_pipes.gpkg"
    turned.to_file(path, engine="pyogrio")
    loaded = loading.load(town_file, "drain_pipes", path, apply=["against_flow"], now=NOW)
    assert loaded.outcome["repaired"].item() == 1
    assert rows_of(town_file, "drain_pipes").geometry.geom_equals_exact(pipes.geometry, 1e-6).all()
