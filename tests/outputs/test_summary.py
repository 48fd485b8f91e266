from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from vaultplan.errors import OutputError
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.summary import write_summary
from vaultplan.settings import Settings


def summary_of(frames: dict[str, pd.DataFrame], folder: Path, settings: Settings) -> str:
    write_summary(frames, folder / "summary.md", settings=settings)
    return (folder / "summary.md").read_text(encoding="utf-8")


def section(text: str, heading: str) -> str:
    return text.split(f"## {heading}")[1].split("\n## ")[0]


def test_the_head_states_plan_data_and_versions(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    text = summary_of(week_frames, tmp_path, week_settings)
    assert text.startswith("# Saltmarrow Light & Line".replace("&", "&amp;"))
    assert "week of Mon 2 Mar 2026" in text
    assert "made 2026-02-27 16:05 (Etc/GMT+10)" in text
    assert "Knows results until Fri 27 Feb 2026" in text
    assert "Rules version 3f9a61c2e07b, settings version a41d0c8e9f35" in text
    assert "do not work from it" not in text
    assert all(caution in text for caution in CAUTIONS)


def test_only_means_are_added(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    planned = section(summary_of(week_frames, tmp_path, week_settings), "What is planned")
    stops = week_frames["plan_stops"]
    emptied = stops[stops["kind"].isin(["pump_out", "vacuum"])]
    means = emptied.merge(week_frames["forecasts"], on=["vault_id", "on"])["volume_gal_mean"]
    assert len(means) == 9
    assert f"{means.sum():,.0f} gal, a sum of expected values (means)" in planned
    assert "9 jobs of 12 offered" in planned
    assert "storm drain 1, filter sock 5, vacuum truck 3" in planned
    assert "3 pick-ups, 3 dump trips" in planned


def test_a_missing_mean_is_said_not_counted_as_nothing(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    forecasts = week_frames["forecasts"]
    week_frames["forecasts"] = forecasts[forecasts["vault_id"] != "SM-1010"]
    text = summary_of(week_frames, tmp_path, week_settings)
    assert "1 stop without an expected value not counted" in text
    assert "SM-1010" in section(text, "Watch: forecasts to trust least")


def test_a_row_per_truck_and_day(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    table = section(summary_of(week_frames, tmp_path, week_settings), "Trucks and days")
    assert table.count("\n| ") == 1 + len(week_frames["routes"])
    assert "| Mon 2 Mar | CREW-A | 2 | 08:10-11:48 |" in table


def test_orders_left_out_stand_with_their_reasons(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    text = section(
        summary_of(week_frames, tmp_path, week_settings), "What is not in the week, and why"
    )
    assert "Held 1, referred to the specialist 1, not scheduled 1, not possible 0." in text
    for order, reason in (("WO-510", "trace it with"), ("WO-511", "PCB not tested")):
        assert any(order in line and reason in line for line in text.splitlines())


def test_sensitive_discharges_are_watched_but_vacuumed_water_is_not(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    watch = section(
        summary_of(week_frames, tmp_path, week_settings),
        "Watch: discharges toward sensitive or unknown waters",
    )
    assert "SM-1010" in watch and "Sallow Lagoon, then Longreach Bay" in watch
    assert "SM-1037" not in watch


def test_a_rejected_plan_warns(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    week_frames["plans"]["state"] = "rejected"
    assert "do not work from it" in summary_of(week_frames, tmp_path, week_settings)


def test_names_cannot_add_markup(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    week_frames["plan_unserved"]["reason"] = "<script>x</script> | a\n# b [c](d)"
    text = summary_of(week_frames, tmp_path, week_settings)
    assert "<script>" not in text
    assert r"&lt;script&gt;x&lt;/script&gt; \| a # b \[c\](d)" in text


def test_an_empty_week_says_so(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    text = summary_of({"plans": week_frames["plans"]}, tmp_path, week_settings)
    assert "No truck has a stop." in text and "Every order offered is in the week." in text


def test_without_a_plan_there_is_no_summary(tmp_path: Path, week_settings: Settings) -> None:
    with pytest.raises(OutputError, match="one plan, not 0"):
        write_summary({}, tmp_path / "summary.md", settings=week_settings)
