import re
from importlib.resources import files

import pandas as pd
import pytest

from vaultplan.discharge import load_rules, run_cases
from vaultplan.discharge.fact_columns import FACTS
from vaultplan.discharge.rules import facts_of_case, fires, parse_rules
from vaultplan.errors import SettingsError

GOOD = """
[[rule]]
id = "long_gutter"
when = [{ column = "gutter_ft", op = "more_than", value = 500 }]
blank_counts = true
method = "filter_sock"
words = "Long run."
source = "assumed"
reviewed_on = 2026-11-25
"""


def test_every_rule_fires_on_its_cases_and_spares_those_just_outside():
    cases = run_cases(load_rules(None))
    wrong = cases[cases["fired"] != cases["expected"]]
    assert wrong.empty, wrong.to_string()
    per_rule = cases.groupby("rule")["expected"].agg(["any", "all"])
    assert per_rule["any"].all(), "a rule without a case that fires it"
    assert not per_rule["all"].any(), "a rule without a case just outside"
    assert len(per_rule) == len(load_rules(None).rules)


def _mutants(clause, counts):
    """Yield what, and the clause changed by one word, number, comparison or reading of blanks."""
    turned = {"is": "is_not", "is_not": "is", "at_least": "more_than", "more_than": "at_least"}
    turned |= {"blank": "not_blank", "not_blank": "blank", "less_than": "at_least"}
    if clause.op in turned:
        yield "op", {"op": turned[clause.op]}
    if isinstance(clause.value, tuple):
        for word in clause.value:
            yield f"without {word}", {"value": tuple(w for w in clause.value if w != word)}
        for word in set(FACTS[clause.column].allowed) - set(clause.value):
            yield f"with {word}", {"value": (*clause.value, word)}
    if isinstance(clause.value, float):
        yield "one more", {"value": clause.value + 1}
        yield "one less", {"value": clause.value - 1}
    if clause.op not in ("blank", "not_blank") and clause.column != "method":
        yield "blanks", {"blank_counts": not counts}


# Both are blank together, where no visit graded the water, or neither is.
NEVER_BLANK_ALONE = {
    (rule, fact)
    for rule, count in (("heavy_twice", "heavy_in_a_row"), ("bad_twice", "bad_in_a_row"))
    for fact in (count, "days_since_grade")
}


def test_any_comparison_that_is_changed_fails_a_case_of_its_rule():
    survivors = []
    for rule in load_rules(None).rules:
        cases = [facts_of_case(case) for case in (*rule.fires, *rule.spares)]
        told = [bool(fires(rule, case)[0]) for case in cases]
        for place, clause in enumerate(rule.when):
            counts = rule.blank_counts if clause.blank_counts is None else clause.blank_counts
            for what, change in _mutants(clause, counts):
                if what == "blanks" and (rule.id, clause.column) in NEVER_BLANK_ALONE:
                    continue
                changed = list(rule.when)
                changed[place] = clause.model_copy(update=change)
                mutant = rule.model_copy(update={"when": tuple(changed)})
                if [bool(fires(mutant, case)[0]) for case in cases] == told:
                    survivors.append(f"{rule.id}: {clause.column} {what}")
    assert not survivors


def test_every_rule_says_its_words_source_and_day():
    shown = load_rules(None).table()
    assert shown.notna().all().all()
    assert shown["rule"].is_unique
    known = {"assumed", "common practice, no source"}
    cited = set(shown["source"]) - known
    # A citation must be checked before this test is widened; that of HEC-22 is, in test_gutters.py.
    assert {source for source in cited if not source.startswith("from memory")} == {
        "HEC-22 (FHWA-HIF-24-006), chapter 5, with the widest spread of the settings"
    }
    assert shown.set_index("rule").loc["heavy_twice", "condition"] == (
        "heavy_in_a_row at least 2 and days_since_grade less than 1095"
    )


def test_the_version_follows_the_text():
    assert parse_rules(GOOD).version == parse_rules(GOOD).version
    assert parse_rules(GOOD).version != parse_rules(GOOD.replace("500", "501")).version
    text = files("vaultplan.discharge").joinpath("rules.toml").read_text(encoding="utf-8")
    assert load_rules(None).version == parse_rules(text).version


def test_a_users_own_file_is_read(tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(GOOD, encoding="utf-8")
    assert [rule.id for rule in load_rules(path).rules] == ["long_gutter"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("gutter_ft", "guter_ft", "rule long_gutter: there is no fact 'guter_ft'"),
        ('"more_than"', '"greater"', "rule long_gutter: when"),
        ("500", '"far"', "rule long_gutter: gutter_ft more_than needs a number"),
        (", value = 500", "", "rule long_gutter: gutter_ft more_than needs a number"),
        ('"filter_sock"', '"bucket"', "rule long_gutter: method"),
        ("blank_counts = true", "", "rule long_gutter: blank_counts"),
        ('source = "assumed"', "", "rule long_gutter: source"),
        ('"long_gutter"', '"long gutter"', "rule long gutter: id"),
        ("reviewed_on = 2026-11-25", "", "rule long_gutter: reviewed_on"),
        ("words", "wrods", "rule long_gutter: wrods"),
        ("[[rule]]", "[[rool]]", "rool"),
        ('column = "gutter_ft"', 'column = "pcb_status"', "needs a number"),
        ('"more_than", value = 500', '"true", value = 500', "takes no value"),
        ('"more_than", value = 500', '"true"', "not yes or no"),
        ('"more_than", value = 500', '"is", value = "x"', "needs a word"),
        ("id =", "id", "not a TOML file"),
    ],
)
def test_a_wrong_rule_is_refused_by_name(old, new, words):
    with pytest.raises(SettingsError, match=re.escape(words)):
        parse_rules(GOOD.replace(old, new))


def test_words_that_a_fact_never_holds_are_refused():
    text = GOOD.replace("gutter_ft", "pcb_status")
    for clause in ('"is", value = "dirty"', '"in", value = ["contains", "dirty"]'):
        with pytest.raises(SettingsError, match="pcb_status is never 'dirty'"):
            parse_rules(text.replace('"more_than", value = 500', clause))
    with pytest.raises(SettingsError, match="a list of words"):
        parse_rules(text.replace('"more_than", value = 500', '"in", value = "contains"'))


def test_a_rule_twice_a_method_asked_and_raised_and_an_unknown_case_are_refused(tmp_path):
    with pytest.raises(SettingsError, match="rule long_gutter stands twice"):
        parse_rules(GOOD + GOOD)
    asks = GOOD.replace('"gutter_ft", op = "more_than", value = 500', '"method", op = "not_blank"')
    with pytest.raises(SettingsError, match="may raise the gate only"):
        parse_rules(asks)
    with pytest.raises(SettingsError, match="unknown fact 'gutter'"):
        parse_rules(GOOD + "fires = [{ gutter = 1 }]")
    with pytest.raises(SettingsError, match="no rules file"):
        load_rules(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="not text"):
        load_rules(tmp_path / "bytes.toml")


def test_facts_that_lack_a_column_are_refused_by_rule():
    rule = parse_rules(GOOD).rules[0]
    with pytest.raises(SettingsError, match="rule long_gutter asks about 'gutter_ft'"):
        fires(rule, pd.DataFrame({"pcb_status": ["contains"]}))


@pytest.mark.parametrize(
    ("clause", "value", "expected"),
    [
        ('"gutter_ft", op = "more_than", value = 500', [499.0, 500.0, 501.0], [0, 0, 1]),
        ('"gutter_ft", op = "at_least", value = 500', [499.0, 500.0, 501.0], [0, 1, 1]),
        ('"gutter_ft", op = "less_than", value = 500', [499.0, 500.0, 501.0], [1, 0, 0]),
        ('"pcb_status", op = "is", value = "contains"', ["contains", "no_oil"], [1, 0]),
        ('"pcb_status", op = "is_not", value = "contains"', ["contains", "no_oil"], [0, 1]),
        ('"pcb_status", op = "in", value = ["contains"]', ["contains", "no_oil"], [1, 0]),
        ('"near_concern", op = "true"', [True, False], [1, 0]),
        ('"heavy_in_a_row", op = "at_least", value = 2', [1, 2], [0, 1]),
    ],
)
@pytest.mark.parametrize("blank", ["true", "false"])
def test_each_op_at_its_edge_and_with_a_blank(clause, value, expected, blank):
    text = GOOD.replace('"gutter_ft", op = "more_than", value = 500', clause)
    rule = parse_rules(text.replace("blank_counts = true", f"blank_counts = {blank}")).rules[0]
    name = rule.when[0].column
    column = FACTS[name].cast(pd.Series([*value, None], dtype=object))
    fired = fires(rule, pd.DataFrame({name: column}))
    assert fired.tolist() == [*map(bool, expected), blank == "true"]


def test_blank_and_not_blank_ask_about_blanks_themselves():
    facts = pd.DataFrame({"gutter_ft": [1.0, None]})
    for op, expected in (("blank", [False, True]), ("not_blank", [True, False])):
        text = GOOD.replace('"more_than", value = 500', f'"{op}"')
        assert fires(parse_rules(text).rules[0], facts).tolist() == expected
