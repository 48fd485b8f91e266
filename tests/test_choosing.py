"""A draw from the demo: strata, exclusions with reasons, files, and what is refused."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point
from typer.testing import CliRunner

from vaultplan import choosing, schema
from vaultplan.cli import app
from vaultplan.errors import OutputError, SettingsError
from vaultplan.settings import Settings


def drawn(demo_file, **asked) -> choosing.Drawn:
    return choosing.draw(str(demo_file), settings=Settings(), **asked)


def test_every_vault_is_in_a_stratum_or_left_out_with_a_reason(demo_file) -> None:
    found = drawn(demo_file, by=["district"], seed=7)
    assert found.count == 59  # what "at most 5 %" needs
    assert found.strata["samples"].sum() == 59
    assert found.strata["vaults"].sum() + len(found.excluded) == 1500
    assert set(found.excluded["reason"]) == {"retired", "belongs to another owner"}
    assert not set(found.vaults["vault_id"]) & set(found.excluded["vault_id"])
    assert set(found.vaults["seed"]) == {7}
    assert set(found.vaults["draw_id"]) == {found.draw_id}
    own, by_lot = found.spread
    assert own < by_lot
    again = drawn(demo_file, by=["district"], seed=7)
    pd.testing.assert_frame_equal(found.vaults, again.vaults)
    assert drawn(demo_file, by=["district"], seed=8).draw_id != found.draw_id


def test_strata_by_water_and_last_look_of_what_is_asked_for(demo_file) -> None:
    found = drawn(
        demo_file, by=["water", "last_grade"], only={"kind": "vault"}, count=90, equal=True
    )
    words = found.strata["stratum"].str.split(" / ")
    assert {"clear", "light", "heavy", "not known"} == set(words.str[1])
    assert "Grey Fathom Sea" in set(words.str[0])
    assert "kind is not vault" in set(found.excluded["reason"])
    assert any("different chances" in words for words in found.warnings)


def fleet(rows) -> gpd.GeoDataFrame:
    frame = pd.DataFrame(rows, columns=["vault_id", "status", "geometry"])
    placed = gpd.GeoDataFrame(frame, geometry="geometry", crs="EPSG:32606")
    return gpd.GeoDataFrame(schema.table("vaults").conform(placed))


def test_the_reasons_by_hand() -> None:
    vaults = fleet(
        [
            ("fine", "in_service", Point(0, 0)),
            ("old", "retired", Point(0, 1)),
            ("theirs", "other_owner", Point(0, 2)),
            ("lost", "in_service", None),
            ("dry", "in_service", Point(0, 4)),
            ("dry twice", "in_service", Point(0, 5)),
            ("wet once", "in_service", Point(0, 6)),
            ("held", "in_service", Point(0, 7)),
            ("never seen", None, Point(0, 8)),
        ]
    )
    looks = pd.DataFrame(
        [("dry", "dry")] * 3
        + [("dry twice", "dry")] * 2
        + [("wet once", "dry")] * 5
        + [("wet once", "full"), ("old", "dry"), ("held", "wet")],
        columns=["vault_id", "finding"],
    )
    plans = pd.DataFrame(
        {
            "plan_id": ["P1", "P2", "P3"],
            "state": ["checked", "checked", "rejected"],
            "made_at": pd.to_datetime(["2026-01-01", "2026-02-01", "2026-03-01"], utc=True),
        }
    )
    left = pd.DataFrame(
        [("P1", "fine", "held"), ("P2", "held", "held"), ("P2", "fine", "not_scheduled")],
        columns=["plan_id", "vault_id", "outcome"],
    )
    frames = {"plans": plans, "plan_unserved": left}
    reason = choosing.why_not(vaults, looks, frames, {}, dry_looks=3)
    told = dict(zip(vaults["vault_id"], reason, strict=True))
    assert {name: words for name, words in told.items() if not pd.isna(words)} == {
        "old": "retired",
        "theirs": "belongs to another owner",
        "lost": "nobody knows where it is",
        "dry": "dry at every look, 3 or more",
        "held": "held in plan P2",
    }


def test_the_command_writes_the_draw_and_who_is_left_out(demo_file, tmp_path) -> None:
    out, left = tmp_path / "draw.csv", tmp_path / "left.csv"
    asked = ["draw", "--db", str(demo_file), "--claim", "0.1", "--by", "district", "--seed", "3"]
    told = CliRunner().invoke(app, [*asked, "--out", str(out), "--excluded", str(left)])
    assert told.exit_code == 0, told.output
    words = " ".join(told.output.split())
    assert "with 95% confidence at most 9.8% of the vaults that could be drawn" in words
    assert "not a waste determination" in words
    rows = pd.read_csv(out)
    assert (rows["role"] == "sample").sum() == 29
    assert (rows["role"] == "replacement").sum() >= 29
    assert rows["inclusion_prob"].between(0, 1).all()
    assert pd.read_csv(left)["reason"].notna().all()
    before = out.read_bytes()
    CliRunner().invoke(app, [*asked, "--out", str(out)])
    assert out.read_bytes() == before


def test_what_makes_no_sense_is_refused(demo_file) -> None:
    with pytest.raises(SettingsError, match="strata cannot be made by 'weather'"):
        drawn(demo_file, by=["weather"])
    with pytest.raises(SettingsError, match="narrowed by 'depth_ft'"):
        drawn(demo_file, only={"depth_ft": "5"})
    with pytest.raises(SettingsError, match="no vault can be drawn"):
        drawn(demo_file, only={"district": "Nowhere"})
    with pytest.raises(SettingsError, match="samples are asked for"):
        drawn(demo_file, count=5000)
    with pytest.raises(OutputError, match="is the database"):
        drawn(demo_file, excluded_to=demo_file)
    told = CliRunner().invoke(app, ["draw", "--db", str(demo_file), "--only", "kind"])
    assert isinstance(told.exception, SettingsError)
