from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan import schema
from vaultplan.errors import SettingsError
from vaultplan.ranking.value import rank_orders, urgency_value, volume_value
from vaultplan.settings import RankingSettings

AS_OF = pd.Timestamp("2026-10-30")
MONDAY = pd.Timestamp("2026-11-02")


def orders(**columns: object) -> pd.DataFrame:
    frame = pd.DataFrame(columns)
    frame["status"] = frame.get("status", "open")
    return schema.table("work_orders").conform(frame)


def forecasts(**columns: object) -> pd.DataFrame:
    return schema.table("forecasts").conform(pd.DataFrame(columns).assign(on=MONDAY))


def decisions(vaults: list[str], sensitivities: list[str]) -> pd.DataFrame:
    frame = pd.DataFrame({"vault_id": vaults, "sensitivity": sensitivities})
    return schema.table("decisions").conform(
        frame.assign(on=MONDAY, method="storm_drain", gate="go", rules_fired="", reason="")
    )


def wet(vaults: list[str], gallons: list[float], heavy: list[float]) -> pd.DataFrame:
    return forecasts(
        vault_id=vaults,
        volume_gal_mean=gallons,
        volume_gal_p10=[0.0] * len(vaults),
        volume_gal_p90=gallons,
        prob_dry=[0.0] * len(vaults),
        prob_clear=[1 - share for share in heavy],
        prob_light=[0.0] * len(vaults),
        prob_heavy=heavy,
    )


def test_score_of_one_order_by_hand() -> None:
    ranked = rank_orders(
        orders(order_id=["O1"], vault_id=["A"], priority=[1], due_on=["2026-11-06"]),
        wet(["A"], [500.0], [0.5]),
        decisions(["A"], ["elevated"]),
        as_of=AS_OF,
        settings=RankingSettings(
            weight_volume=1, weight_contamination=1, weight_sensitivity=1, weight_urgency=1
        ),
    ).iloc[0]
    # volume 0.5, contamination 0.5, sensitivity 0.4, urgency (1 + 1/2) / 2 = 0.75
    assert ranked["score"] == pytest.approx(100 * (0.5 + 0.5 + 0.4 + 0.75) / 4)
    assert ranked["rank"] == 1


def test_closed_orders_are_left_out_and_blank_status_is_kept() -> None:
    some = orders(
        order_id=["O1", "O2", "O3"], vault_id=["A", "A", "A"], status=["done", None, "open"]
    )
    ranked = rank_orders(
        some,
        wet(["A"], [1.0], [0.0]),
        decisions(["A"], ["ordinary"]),
        as_of=AS_OF,
        settings=RankingSettings(),
    )
    assert sorted(ranked["order_id"]) == ["O2", "O3"]


def test_unknown_downstream_never_counts_as_ordinary() -> None:
    ranked = rank_orders(
        orders(order_id=["O1", "O2", "O3"], vault_id=["A", "B", "C"]),
        wet(["A", "B", "C"], [100.0] * 3, [0.1] * 3),
        decisions(["A", "B"], ["ordinary", "unknown"]),
        as_of=AS_OF,
        settings=RankingSettings(),
    ).set_index("order_id")
    assert ranked.loc["O2", "score"] > ranked.loc["O1", "score"]
    assert ranked.loc["O3", "score"] == ranked.loc["O2", "score"]
    assert "not known how sensitive" in ranked.loc["O3", "reason"]


def test_the_strictest_day_of_a_vault_counts() -> None:
    two_days = pd.concat(
        [decisions(["A"], ["protected"]), decisions(["A"], ["ordinary"])], ignore_index=True
    )
    ranked = rank_orders(
        orders(order_id=["O1"], vault_id=["A"]),
        wet(["A"], [100.0], [0.1]),
        two_days,
        as_of=AS_OF,
        settings=RankingSettings(),
    )
    assert ranked["value_sensitivity"].tolist() == [1.0]


def test_a_vault_without_forecast_is_middling_and_says_so() -> None:
    ranked = rank_orders(
        orders(order_id=["O1"], vault_id=["Z"]),
        schema.table("forecasts").empty(),
        schema.table("decisions").empty(),
        as_of=AS_OF,
        settings=RankingSettings(),
    ).iloc[0]
    assert ranked["value_volume"] == ranked["value_contamination"] == 0.5
    assert "water unknown" in ranked["reason"]


def test_weights_of_zero_are_refused() -> None:
    nothing = RankingSettings(
        weight_volume=0, weight_contamination=0, weight_sensitivity=0, weight_urgency=0
    )
    with pytest.raises(SettingsError, match="above zero"):
        rank_orders(
            orders(order_id=["O1"], vault_id=["A"]),
            schema.table("forecasts").empty(),
            schema.table("decisions").empty(),
            as_of=AS_OF,
            settings=nothing,
        )


def test_overdue_is_as_urgent_as_due_today_and_no_due_day_least() -> None:
    value = urgency_value(
        pd.Series([3, 3, 3, 3], dtype="Int64"), pd.Series([-5.0, 0.0, 7.0, np.nan]), 7.0
    )
    assert value.tolist() == pytest.approx([0.75, 0.75, 0.5, 0.25])


@given(st.lists(st.floats(0, 1e6), min_size=2, max_size=20), st.floats(1, 1e4))
def test_more_water_is_never_worth_less(gallons: list[float], half: float) -> None:
    value = volume_value(pd.Series(sorted(gallons)), half)
    assert value.is_monotonic_increasing
    assert value.between(0, 1).all()


@given(
    st.lists(
        st.tuples(st.floats(0, 5000), st.floats(0, 1), st.integers(1, 5), st.integers(-30, 60)),
        min_size=1,
        max_size=25,
    )
)
def test_ranks_follow_scores_and_stay_in_range(rows: list[tuple[float, float, int, int]]) -> None:
    ids = [f"V{i}" for i in range(len(rows))]
    ranked = rank_orders(
        orders(
            order_id=ids,
            vault_id=ids,
            priority=[row[2] for row in rows],
            due_on=[AS_OF + pd.Timedelta(days=row[3]) for row in rows],
        ),
        wet(ids, [row[0] for row in rows], [row[1] for row in rows]),
        decisions(ids, ["high"] * len(ids)),
        as_of=AS_OF,
        settings=RankingSettings(),
    )
    assert ranked["rank"].tolist() == list(range(1, len(rows) + 1))
    assert ranked["score"].is_monotonic_decreasing
    assert ranked["score"].between(0, 100).all()
