"""The discharge rules looked into: cases tried, a vault of the demo explained, tables compared."""

from importlib.resources import files
from pathlib import Path

import pandas as pd
import pytest

from vaultplan import ruling
from vaultplan.discharge.fact_columns import FACTS
from vaultplan.discharge.rules import load_rules
from vaultplan.errors import SchemaError
from vaultplan.settings import Settings

OURS = files("vaultplan.discharge").joinpath("rules.toml").read_text(encoding="utf-8")


@pytest.fixture
def stricter(tmp_path: Path) -> Path:
    """The program's rules with a shorter gutter, and without the one about foam."""
    text = OURS.replace(
        '"gutter_ft", op = "more_than", value = 500', '"gutter_ft", op = "more_than", value = 100'
    )
    at = text.index('[[rule]]\nid = "foam"')
    path = tmp_path / "stricter.toml"
    path.write_text(text[:at] + text[text.index("[[rule]]", at + 8) :], encoding="utf-8")
    return path


def test_all_cases_of_our_own_rules_come_out_right() -> None:
    found = ruling.tried(None)
    assert found["is_right"].all()
    assert set(found["rule"]) == {rule.id for rule in load_rules(None).rules}


def test_a_case_that_comes_out_wrong_is_told(stricter: Path) -> None:
    """A run of 500 ft was spared by the rule as it was; now it is caught."""
    text = stricter.read_text(encoding="utf-8").replace("spares = [{ ph", "# spares = [{ ph")
    stricter.write_text(text, encoding="utf-8")
    found = ruling.tried(stricter)
    wrong = found[~found["is_right"].astype(bool)]
    assert "gutter_long" in set(wrong["rule"])
    assert all(
        ("gutter_ft 500" in case) for case in wrong.loc[wrong["rule"] == "gutter_long", "case"]
    )


def test_two_tables_are_told_apart_rule_by_rule(stricter: Path) -> None:
    changes = ruling.compared(None, stricter).set_index(["rule", "change"])
    assert set(changes.index) == {("gutter_long", "condition"), ("foam", "went")}
    assert changes.loc[("gutter_long", "condition"), "after"] == "gutter_ft more than 100"
    back = ruling.compared(stricter, None)
    assert set(zip(back["rule"], back["change"], strict=True)) == {
        ("gutter_long", "condition"), ("foam", "came")
    }  # fmt: skip
    assert ruling.compared(None, None).empty


def test_a_vault_is_explained_as_the_plan_decides_it(demo_file: Path) -> None:
    found = ruling.explained(str(demo_file), "SM-0381", settings=Settings())
    assert list(found.facts["fact"]) == list(FACTS)
    fired = set(found.rules.loc[found.rules["applies"] != "no", "rule"])
    decided = found.decision.iloc[0]
    assert fired == set(decided["rules_fired"].split(";"))
    reasons = set(found.rules.loc[found.rules["applies"] != "no", "words"])
    assert all(words in decided["reason"] for words in reasons)
    with pytest.raises(SchemaError, match="no such vault: nowhere"):
        ruling.explained(str(demo_file), "nowhere", settings=Settings())


def test_what_two_tables_decide_differently(demo_file: Path, stricter: Path) -> None:
    """A shorter gutter sends more vaults through a sock: none is decided more mildly by it."""
    differs = ruling.decided_by_both(str(demo_file), None, stricter, settings=Settings())
    assert len(differs) > 0
    longer = ~differs["rules_fired_before"].str.contains("gutter_long")
    by_gutter = differs["rules_fired_after"].str.contains("gutter_long") & longer
    by_foam = differs["rules_fired_before"].str.contains("foam")
    assert (by_gutter | by_foam).all()
    same = ruling.decided_by_both(str(demo_file), None, None, settings=Settings())
    assert same.empty
    assert isinstance(same, pd.DataFrame)
