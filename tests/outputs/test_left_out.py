from __future__ import annotations

import pandas as pd

from vaultplan.outputs.left_out import Why, deciding_rules, reasons_of, rule_words

RULES = {
    "light_water": "Light water is expected: filter sock.",
    "suspect_ground": "Suspect ground is near: ask the specialist.",
    "other_sewer": "The path enters a sewer: its owner must agree first.",
    "wet_day": "Rain is likely: wait.",
}


def decisions_of(*rows: tuple[str, str, str]) -> pd.DataFrame:
    """A decision per vault, gate and rules; the reason says the rules one after another."""
    return pd.DataFrame(
        [
            {
                "vault_id": vault,
                "on": pd.Timestamp("2026-11-02"),
                "method": "filter_sock",
                "gate": gate,
                "rules_fired": fired,
                "reason": " ".join(RULES[rule] for rule in fired.split(";")),
            }
            for vault, gate, fired in rows
        ]
    )


def left(vault: str, outcome: str, reason: str) -> dict[str, str]:
    return {"vault_id": vault, "outcome": outcome, "reason": reason}


def test_rules_seen_at_a_lower_gate_do_not_decide() -> None:
    decisions = decisions_of(
        ("a", "go", "light_water"),
        ("b", "refer", "light_water;suspect_ground"),
        ("c", "refer", "light_water;suspect_ground;wet_day"),
        ("d", "hold", "light_water;wet_day"),
    )
    assert deciding_rules(decisions, "refer") == {"suspect_ground"}
    assert deciding_rules(decisions, "hold") == {"wet_day"}


def test_without_a_sure_rule_all_candidates_are_named() -> None:
    decisions = decisions_of(
        ("a", "go", "light_water"), ("b", "refer", "light_water;suspect_ground;other_sewer")
    )
    assert deciding_rules(decisions, "refer") == {"suspect_ground", "other_sewer"}


def test_an_order_is_left_out_for_the_rules_that_decided() -> None:
    decisions = decisions_of(
        ("a", "go", "light_water"),
        ("b", "refer", "light_water;suspect_ground"),
        ("c", "refer", "suspect_ground;other_sewer"),
        ("d", "refer", "other_sewer"),
        ("e", "hold", "light_water;wet_day"),
    )
    reasons = dict(zip(decisions["vault_id"], decisions["reason"], strict=True))
    unserved = pd.DataFrame(
        [
            left("b", "referred", f"{reasons['b']} (Mon 02 Nov to Fri 06 Nov)"),
            left("c", "referred", f"{reasons['c']} (Mon 02 Nov to Fri 06 Nov)"),
            left("e", "held", f"{reasons['e']} (Mon 02 Nov); no day of this week may go ahead"),
            left("d", "referred", "the vault has no place; survey it"),
        ]
    )
    ground = Why("suspect ground", RULES["suspect_ground"])
    assert reasons_of({"decisions": decisions}, unserved) == [
        (ground,),
        (ground, Why("other sewer", RULES["other_sewer"])),
        (Why("wet day", RULES["wet_day"]),),
        (Why("the vault has no place", "the vault has no place; survey it"),),
    ]


def test_a_vault_that_was_lowered_teaches_nothing_about_the_rules() -> None:
    decisions = decisions_of(("a", "go", "suspect_ground"), ("b", "refer", "suspect_ground"))
    unserved = pd.DataFrame([left("b", "referred", RULES["suspect_ground"])])
    lowered = pd.DataFrame(
        {
            "override_id": ["1"],
            "vault_id": ["a"],
            "ladder": ["gate"],
            "step": ["go"],
            "who": ["R. Samphire"],
            "why": ["dug out"],
            "made_on": [pd.Timestamp("2026-10-01")],
            "expires_on": [pd.Timestamp("2026-12-01")],
        }
    )
    frames = {"decisions": decisions, "overrides": lowered}
    assert reasons_of(frames, unserved) == [(Why("suspect ground", RULES["suspect_ground"]),)]


def test_words_of_rules_are_read_only_where_they_can_be_told_apart() -> None:
    decisions = decisions_of(("a", "go", "light_water;wet_day"))
    other = pd.DataFrame({"rules_fired": ["odd;rule"], "reason": ["both in one sentence."]})
    words = rule_words(pd.concat([decisions, other], ignore_index=True))
    assert words == {name: RULES[name] for name in ("light_water", "wet_day")}


def test_reasons_that_differ_by_numbers_alone_are_one() -> None:
    unserved = pd.DataFrame(
        [
            left("a", "not_possible", "4,245 gal is too much (2,578 gal by tank); split it"),
            left("b", "not_possible", "3,755 gal is too much (2,578 gal by tank); split it"),
            left("c", "not_scheduled", "below the best 2,000 that fit (max_jobs)"),
        ]
    )
    (first,), (second,), (third,) = reasons_of({}, unserved)
    assert (
        first
        == second
        == Why("... gal is too much", "... gal is too much (... gal by tank); split it")
    )
    assert (first.own_name, second.own_name) == ("4,245 gal is too much", "3,755 gal is too much")
    assert third == Why("below the best 2,000 that fit", "below the best 2,000 that fit (max_jobs)")
