"""What a test of past forecasts found, in the sentences that stand first on its page."""

from __future__ import annotations

import pandas as pd

from vaultplan.outputs.skill.words import (
    LEAST_TO_JUDGE,
    TOO_FEW,
    SkillFacts,
    band_word,
    chance_word,
    first_row,
    group_name,
    percent,
    percent_of,
    picked,
    share_word,
)


def strongest(scores: pd.DataFrame, part: str, measure: str) -> str:
    """Return the rival with the least mean score over all looks; empty if nothing was scored."""
    rows = picked(scores, part=part, measure=measure, by="all")
    rows = rows[rows["method"].ne("forecast")].sort_values("value", kind="stable")
    return str(rows["method"].iloc[0]) if len(rows) else ""


def in_short(
    facts: SkillFacts, scores: pd.DataFrame, events: pd.DataFrame, warnings: pd.DataFrame
) -> list[str]:
    """Return the findings of a test as sentences, the most telling first."""
    return [
        *_of_depth(scores),
        *_of_groups(scores),
        *_of_grades(scores, warnings),
        *_of_refill(events, facts.working_depth_in),
    ]


def _of_depth(scores: pd.DataFrame) -> list[str]:
    rival = strongest(scores, "depth", "crps_in")
    share = first_row(picked(scores, part="depth", by="all", measure="crps_in_share", method=rival))
    own = first_row(picked(scores, part="depth", by="all", measure="crps_in", method="forecast"))
    inside = first_row(picked(scores, part="depth", by="all", measure="inside_80"))
    above = first_row(picked(scores, part="depth", by="all", measure="above_p90"))
    told = percent_of(share)
    return [
        f"Depth: the mean error is {own['value']:.1f} in, {told} of that of {rival}, the best of "
        f"the rules compared here: {share_word(share)}.",
        f"Bands: {percent(inside['value'], inside['low'], inside['high'])} of the looks lay within "
        f"the band that should hold 80 %: {band_word(inside)}. "
        f"{percent(above['value'], above['low'], above['high'])} were deeper than the p90, where "
        "10 % should be.",
    ]


def _of_groups(scores: pd.DataFrame) -> list[str]:
    """Return where bands are too narrow, the forecast no use, or too little is known to tell."""
    rival = strongest(scores, "depth", "crps_in")
    narrow, worse, few = [], [], []
    for told in picked(scores, part="depth", measure="inside_80").to_dict("records"):
        if told["by"] not in ("all", "origin"):
            word = band_word(told)
            if word == TOO_FEW:
                few.append(group_name(told))
            elif word.startswith("too narrow"):
                narrow.append(group_name(told))
    shares = picked(scores, part="depth", measure="crps_in_share", method=rival)
    for told in shares.to_dict("records"):
        if told["by"] not in ("all", "origin") and share_word(told) == "worse":
            worse.append(group_name(told))
    found = []
    if narrow:
        found.append(f"Bands are too narrow for: {', '.join(narrow)}. Reckon with more there.")
    if worse:
        found.append(f"The forecast does worse than {rival} for: {', '.join(worse)}.")
    if not narrow and not worse:
        found.append("No group with enough looks has bands too narrow or does worse than the rule.")
    if few:
        found.append(
            f"Too few looks (under {LEAST_TO_JUDGE}) to tell for {len(few)} group(s); the table "
            "below names them."
        )
    return found


def _of_grades(scores: pd.DataFrame, warnings: pd.DataFrame) -> list[str]:
    rival = strongest(scores, "grade", "rps")
    shares = picked(scores, part="grade", by="all", measure="rps_share", method=rival)
    if shares.empty:
        return ["Grades: none was written down in the time tested, so nothing can be said of them."]
    share = first_row(shares)
    told = percent_of(share)
    found = [
        f"Grades: the mean score is {told} of that of {rival}, the better of two simple rules: "
        f"{share_word(share)}."
    ]
    heavy = warnings[warnings["warning"].eq("heavy")]
    for line in heavy.to_dict("records"):
        seen, warned = line["hits"] + line["misses"], line["hits"] + line["false_alarms"]
        if seen:
            found.append(
                f"Heavy water: of {seen:,} looks that found it, {line['hits']:,} "
                f"({percent(line['hit_rate'])}) had been given a chance of "
                f"{percent(line['threshold'])} or more, from which the rules reckon with it; of "
                f"{warned:,} such warnings {line['false_alarms']:,} came to nothing."
            )
    return found


def _of_refill(events: pd.DataFrame, working_in: float) -> list[str]:
    rows = events[events["event"].eq("standing")]
    if rows.empty:
        return ["Refill: no vault pumped dry was looked into again in time; nothing can be said."]
    told = first_row(rows)
    return [
        f"Refill: of {int(told['points']):,} looks at most 90 days after a pump-out, "
        f"{percent(told['happened_frac'])} found {working_in:g} in or more; the forecast had said "
        f"{percent(told['forecast_frac'])}: {chance_word(told)}."
    ]
