from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from vaultplan.errors import OutputError
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.markdown import about, safe
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
    assert text.startswith("# Saltmarrow Light & Line: week of Mon 2 Mar 2026\n")
    assert "made Fri 27 Feb 2026, 16:05 (Etc/GMT+10)" in text
    assert "Knows results until Fri 27 Feb 2026" in text
    assert "Rules version 3f9a61c2e07b, settings version a41d0c8e9f35" in text
    assert "do not work from it" not in text
    assert all(caution in text for caution in CAUTIONS)


def test_only_means_are_added(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    planned = summary_of(week_frames, tmp_path, week_settings).split("\n## ")[0]
    stops = week_frames["plan_stops"]
    emptied = stops[stops["kind"].isin(["pump_out", "vacuum"])]
    means = emptied.merge(week_frames["forecasts"], on=["vault_id", "on"])["volume_gal_mean"]
    assert len(means) == 9
    assert f"{means.sum():,.0f} gal, a sum of expected values (means)" in planned
    by_vacuum = emptied["kind"] == "vacuum"
    told = (means.sum(), means[by_vacuum.to_numpy()].sum(), means[~by_vacuum.to_numpy()].sum())
    whole, vacuumed, drained = (about(gallons) for gallons in told)
    assert f"About {whole} gal are expected to be removed, {vacuumed} of them by vacuum" in planned
    assert f"{drained} to drains" in planned
    assert "storm drain 1, filter sock 5, vacuum truck 3" in planned
    assert "3 pick-ups, 3 dump trips" in planned


def test_the_week_is_said_in_one_paragraph_first(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    lead = summary_of(week_frames, tmp_path, week_settings).split("\n\n")[1]
    assert "\n" not in lead
    assert lead.startswith(
        "9 of 12 orders are planned, on Mon 2, Tue 3 and Wed 4 Mar, with 3 truck"
    )
    assert (
        "Not in the week: 1 held for the whole week, 1 referred to the environmental specialist "
        "and 1 not scheduled; 0 of these are due by Sun 8 Mar." in lead
    )


def test_days_on_hold_are_said_with_the_rule(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    decisions = week_frames["decisions"]
    assert not decisions["rules_fired"].str.contains("wet_day").any()
    tuesday = decisions["on"] == pd.Timestamp("2026-03-03")
    here = decisions["vault_id"].isin(["SM-1010", "SM-1021"]) & tuesday
    assert here.sum() == 2
    decisions.loc[here, ["gate", "rules_fired", "reason"]] = ["hold", "wet_day", "Rain: wait."]
    decisions.loc[decisions["vault_id"] == "SM-1020", "gate"] = "go"
    lead = summary_of(week_frames, tmp_path, week_settings).split("\n\n")[1]
    assert lead.endswith('On Tue 3 Mar 2 vaults with an order are on hold ("Rain: wait.").')
    decisions["gate"] = "go"
    lead = summary_of(week_frames, tmp_path, week_settings).split("\n\n")[1]
    assert lead.endswith("No day of the week is on hold.")


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


def test_orders_left_out_stand_with_their_reasons_said_once(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    unserved, orders = week_frames["plan_unserved"], week_frames["work_orders"]
    extra = unserved.iloc[[2, 2]].assign(order_id=["WO-508", "WO-509"])
    extra["reason"] = [f"{gal} gal is more than a truck may carry; split it" for gal in (900, 1200)]
    week_frames["plan_unserved"] = pd.concat([unserved, extra], ignore_index=True)
    orders.loc[orders["order_id"] == "WO-509", "due_on"] = pd.Timestamp("2026-02-27")
    orders.loc[orders["order_id"] == "WO-508", "due_on"] = pd.Timestamp("2026-03-08")
    orders.loc[orders["order_id"] == "WO-510", "due_on"] = pd.NaT
    text = section(
        summary_of(week_frames, tmp_path, week_settings), "What is not in the week, and why"
    )
    assert "Held 1, referred 1, not scheduled 3, not possible 0." in text
    carry = "... gal is more than a truck may carry"
    assert f"| {carry} | 2 | 2 | {carry}; split it |" in text
    assert "| the drain's end is not known | 1 | 0 | the drain's end is not known; trace it" in text
    listed = [line for line in text.splitlines() if line.startswith("| WO-")]
    assert [line[2:8] for line in listed] == ["WO-509", "WO-508", "WO-511", "WO-512", "WO-510"]
    assert (
        "Fri 27 Feb, overdue | not scheduled | 1200 gal is more than a truck may carry |"
        in (listed[0])
    )
    assert "Sun 8 Mar | not scheduled | 900 gal" in listed[1]


def test_sensitive_discharges_are_watched_by_water_but_vacuumed_water_is_not(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    watch = section(
        summary_of(week_frames, tmp_path, week_settings),
        "Watch: discharges toward sensitive or unknown waters",
    )
    stops = week_frames["plan_stops"]
    pumped = stops[stops["kind"] == "pump_out"].merge(
        week_frames["decisions"], on=["vault_id", "on"]
    )
    pumped = pumped[pumped["sensitivity"] == "protected"].merge(
        week_frames["forecasts"], on=["vault_id", "on"]
    )
    means = pumped["volume_gal_mean"].sum()
    (row,) = [line for line in watch.splitlines() if "Sallow Lagoon, then Longreach Bay" in line]
    assert f"| protected | {len(pumped)} | {means:,.0f} | filter sock {len(pumped)} |" in row
    for vault, truck in zip(pumped["vault_id"], pumped["truck_id"], strict=True):
        assert f"{truck} {vault}" in watch
    assert "08:10 CREW-A SM-1010" in watch
    assert "SM-1037" not in watch


def test_only_discharges_to_protected_or_unknown_waters_are_listed_singly(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    week_frames["decisions"]["sensitivity"] = "elevated"
    watch = section(
        summary_of(week_frames, tmp_path, week_settings),
        "Watch: discharges toward sensitive or unknown waters",
    )
    assert "| elevated |" in watch and "SM-1010" not in watch and "by outfall" not in watch
    lost = week_frames["traces"]["vault_id"] == "SM-1010"
    week_frames["traces"].loc[lost, ["outfall_id", "water_id", "waters_passed"]] = None
    week_frames["decisions"].loc[
        week_frames["decisions"]["vault_id"] == "SM-1010", "sensitivity"
    ] = "unknown"
    watch = section(
        summary_of(week_frames, tmp_path, week_settings),
        "Watch: discharges toward sensitive or unknown waters",
    )
    assert "| not known | not known | Mon 2 Mar | filter sock | 08:10 CREW-A SM-1010 |" in watch


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
    assert r"&lt;script>x&lt;/script> \| a # b \[c\](d)" in text


def test_what_needs_no_escape_stays_as_it_is() -> None:
    assert safe("Light & Line, 3 > 2, a_b, R&D") == "Light & Line, 3 > 2, a_b, R&D"
    assert safe("&lt;b&gt; &#60; &copy;") == "&amp;lt;b&amp;gt; &amp;#60; &amp;copy;"
    assert safe("_a_ *b* `c` ~d~ a\\|b") == "\\_a\\_ \\*b\\* \\`c\\` \\~d\\~ a\\\\\\|b"


def test_an_empty_week_says_so(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    text = summary_of({"plans": week_frames["plans"]}, tmp_path, week_settings)
    assert "\n0 of 0 orders are planned.\n" in text
    assert "No truck has a stop." in text and "Every order offered is in the week." in text


def test_without_a_plan_there_is_no_summary(tmp_path: Path, week_settings: Settings) -> None:
    with pytest.raises(OutputError, match="one plan, not 0"):
        write_summary({}, tmp_path / "summary.md", settings=week_settings)


def test_what_nobody_loaded_is_said_at_the_top(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    outlook = pd.DataFrame({"gauge_id": ["g"]})
    frames = {**week_frames, "rain_outlook": outlook, "concern_sites": pd.DataFrame()}
    top = summary_of(frames, tmp_path, week_settings).split("\n## ")[0]
    assert "Not known, because nothing was loaded:" in top
    assert "suspect ground goes unnoticed" in top
    assert "no rain outlook" not in top
