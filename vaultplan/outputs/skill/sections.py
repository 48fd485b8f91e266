"""The sections of the page about forecast skill: pictures, and what each means in words."""

from __future__ import annotations

from typing import Final

import pandas as pd

from vaultplan.outputs.pages.html import listed, paragraph, picture, row, section, table
from vaultplan.outputs.skill.findings import strongest
from vaultplan.outputs.skill.pictures import (
    ahead_picture,
    pit_picture,
    reliability_picture,
    shares_picture,
)
from vaultplan.outputs.skill.words import (
    SkillFacts,
    Told,
    band_word,
    chance_word,
    first_row,
    percent,
    percent_of,
    picked,
    ratio,
    ratio_of,
    share_word,
)
from vaultplan.schema import GRADES

LOOKS: Final = ("0 looks", "1-4 looks", "5+ looks")
#: In the order of the table of groups; origins come last.
BY: Final = {
    "all": "All looks",
    "looks before": "By how often the vault had been looked into",
    "days ahead": "By how far ahead",
    "confidence": "By the confidence that the forecast gave itself",
    "kind": "By kind",
    "lid": "By lid",
    "soil_group": "By soil group",
    "land_use": "By land use",
    "setting": "By setting",
    "origin": "By the day forecast from",
}
_HOW_TO_READ: Final = (
    "Dots on the dashed line happened as often as stated; above it more often, below it less "
    "often. Upright lines are 90 % intervals; the bars below count the looks."
)


def error(facts: SkillFacts, scores: pd.DataFrame) -> str:
    """Return how far off the forecast of depth was, beside simpler rules."""
    rivals = facts.methods[1:]
    means = _by(picked(scores, part="depth", by="all", measure="crps_in"), "method")
    shares = picked(scores, part="depth", measure="crps_in_share")
    overall = _by(shares[shares["by"].eq("all")], "method")
    lines = []
    for method in facts.methods:
        line = [method, ratio_of(means[method])]
        if method in overall:
            told = overall[method]
            line += [ratio_of(told), share_word(told)]
        else:
            line += ["", ""]
        for percentile in (10, 50, 90):
            name = f"pinball_in_p{percentile}"
            loss = picked(scores, part="depth", by="all", measure=name, method=method)
            line.append(ratio(first_row(loss)["value"]))
        lines.append(line)
    grouped = shares[shares["by"].isin(["all", "looks before"])]
    alt = "; ".join(f"share of {name}: {ratio_of(overall[name])}" for name in rivals)
    ahead = picked(scores, part="depth", by="days ahead", measure="crps_in")
    steps = _in_order(ahead["group"])
    return section(
        "error",
        "How far off, beside simpler rules",
        paragraph(
            "The error is the continuous ranked probability score in inches: the mean distance "
            "between forecast and finding when the forecast is one number, and less for an honest "
            "band around it. All rules are scored on the same looks."
        ),
        picture(
            shares_picture(grouped, rivals, ["all", *LOOKS]),
            f"The forecast's error as a share of each rule's. {alt}.",
            "Left of the dashed line the forecast is better than the rule, by the share left of "
            "it. Lines are 90 % intervals; groups are by looks into the vault before the forecast, "
            "and drawn without a line where there are too few looks for one.",
            is_broad=True,
        ),
        table(
            ["Forecast by", "Error, in (90 % interval)", "Our error as a share of it", "Ours is",
             "Pinball loss p10, in", "p50", "p90"],
            lines,
            (1, 2, 4, 5, 6),
        ),
        paragraph(
            "Pinball loss scores one quantile alone; that of p90 is what tanks and pump times are "
            "reckoned with."
        ),
        picture(
            ahead_picture(ahead, facts.methods, steps),
            "Mean error by days ahead: "
            + "; ".join(
                f"{told['group']}: {told['value']:.1f} in"
                for told in picked(ahead, method="forecast").to_dict("records")
            ),
            "The thick line is the forecast. An error that grows little with the days ahead means "
            "that the rain to come matters less than what is known of the vault.",
            "Days ahead",
            is_broad=True,
        ),
    )  # fmt: skip


def bands(scores: pd.DataFrame, pit: pd.DataFrame) -> str:
    """Return whether bands hold as many looks as they say."""
    pictures = []
    for group in ("all", *LOOKS):
        counts = pit.loc[pit["group"].eq(group), "points"].astype(int).tolist()
        if sum(counts):
            by = "all" if group == "all" else "looks before"
            inside = first_row(
                picked(scores, part="depth", by=by, group=group, measure="inside_80")
            )
            pictures.append(
                picture(
                    pit_picture(counts),
                    f"Looks in each tenth of the forecast: {', '.join(map(str, counts))}.",
                    f"{sum(counts):,} looks; {percent(inside['value'])} inside the 80 % band: "
                    f"{band_word(inside)}.",
                    "All looks" if group == "all" else f"{group} before",
                )
            )
    lines = []
    for by, group in (("all", "all"), *(("looks before", name) for name in LOOKS)):
        rows = picked(scores, part="depth", by=by, group=group, method="forecast")
        if rows.empty:
            continue
        told = _by(rows, "measure")
        looks = told["inside_80"]["points"]
        cells = ["All looks" if by == "all" else f"{group} before", f"{looks:,}"]
        for name in ("inside_50", "inside_80", "inside_90", "below_p10", "above_p90"):
            cells.append(percent_of(told[name]))
        lines.append(cells)
    return section(
        "bands",
        "Are the bands right",
        paragraph(
            "If the bands are right, what is found falls into each tenth of the forecast equally "
            "often, and all bars reach the dashed line; between the dotted lines nine bars of ten "
            "do so by chance. Bars high at both ends mean bands too narrow, high in the middle too "
            "wide; high on the right, more water than forecast. A vault found dry or full is "
            "counted at a random place within the chance that was given to that."
        ),
        row(pictures),
        table(
            ["Looks into the vault before", "Looks", "Inside the 50 % band", "80 %", "90 %",
             "Less than p10", "More than p90"],
            lines,
            range(1, 7),
        ),
    )  # fmt: skip


def where(scores: pd.DataFrame) -> str:
    """Return error and coverage of every group, with a judgement where there are enough looks."""
    rival = strongest(scores, "depth", "crps_in")
    depth = scores[scores["part"].eq("depth")]
    told = {
        (line["by"], line["group"], line["measure"], line["method"]): line
        for line in depth.to_dict("records")
    }
    lines: list[list[str]] = []
    for by, head in BY.items():
        groups = _in_order(depth.loc[depth["by"].eq(by), "group"])
        if by != "all" and groups:
            lines.append([head])
        for group in groups:
            own = told[by, group, "crps_in", "forecast"]
            share = told[by, group, "crps_in_share", rival]
            inside = told[by, group, "inside_80", "forecast"]
            above = told[by, group, "above_p90", "forecast"]
            name = head if by == "all" else group.replace("_", " ")
            lines.append(
                [
                    name,
                    f"{own['points']:,}",
                    ratio(own["value"]),
                    ratio_of(share),
                    share_word(share),
                    percent_of(inside),
                    percent(above["value"]),
                    band_word(inside),
                ]
            )
    return section(
        "where",
        "Where to trust it",
        paragraph(
            f"The same scores group by group; the rule compared with is {rival}, the best of the "
            "simpler ones here. Groups overlap, and of so many some stand out by chance: believe "
            "what has a reason, or what comes back in the next test."
        ),
        table(
            ["Group", "Looks", "Error, in", f"Share of {rival}'s", "Against it",
             "Inside the 80 % band", "More than p90", "Bands"],
            lines,
            (1, 2, 3, 5, 6),
        ),
    )  # fmt: skip


def chances_of_water(facts: SkillFacts, events: pd.DataFrame, chances: pd.DataFrame) -> str:
    """Return how the chances of dry, full and working depth came out."""
    heads = {
        "dry": "Dry: less than 1 in",
        "working": f"Working depth: {facts.working_depth_in:g} in or more",
        "full": "Full: 95 % of the depth or more",
    }
    return section(
        "water",
        "Chances of water",
        paragraph(_HOW_TO_READ),
        row(_reliability(events, chances, heads)),
        _event_table(events, heads),
    )


def grades(
    scores: pd.DataFrame, events: pd.DataFrame, chances: pd.DataFrame, warnings: pd.DataFrame
) -> str:
    """Return how the chances of each grade came out, and the warnings the rules go by."""
    if picked(scores, part="grade").empty:
        none = "No look in the time tested has a grade, so nothing can be said of grades."
        return section("grades", "Grades", paragraph(none))
    heads = {name: name.capitalize() for name in GRADES}
    overall = picked(scores, part="grade", by="all")
    lines = []
    for method in ("forecast", "class climatology", "last grade"):
        cells = [_GRADE_RULES.get(method, method)]
        for measure in ("rps", "rps_share", "log_loss"):
            found = picked(overall, measure=measure, method=method)
            if found.empty:
                cells.append("")
            else:
                told = first_row(found)
                cells.append(ratio_of(told))
        lines.append(cells)
    warned = [
        [
            f"{line['warning']}: a chance of {percent(line['threshold'])} or more",
            *(f"{line[name]:,}" for name in ("hits", "misses", "false_alarms", "quiet")),
            percent(line["hit_rate"]),
            percent(line["false_alarm_ratio"]),
        ]
        for line in warnings.to_dict("records")
    ]
    return section(
        "grades",
        "Grades",
        paragraph(
            "Where the look wrote down a grade. The ranked probability score is 0 for certainty "
            "that came true, and counts clear taken for heavy more than clear taken for light."
        ),
        table(
            ["Forecast by", "Ranked probability score", "Our score as a share of it", "Log loss"],
            lines,
            (1, 2, 3),
        ),
        paragraph(_HOW_TO_READ),
        row(_reliability(events, chances, heads)),
        _event_table(events, heads),
        paragraph("What the discharge rules make of the chances, as set in the settings:"),
        table(
            ["Reckoned with", "Warned, and came", "Not warned, and came", "Warned in vain",
             "Neither", "Of those that came, warned", "Of the warnings, in vain"],
            warned,
            range(1, 7),
        ),
        paragraph(
            "Water that came unwarned is what a crew must be ready for: the grade seen in the "
            "field supersedes the forecast."
        ),
    )  # fmt: skip


_GRADE_RULES: Final = {
    "class climatology": "shares of the land use",
    "last grade": "what usually follows the last grade",
}


def refill(facts: SkillFacts, events: pd.DataFrame, chances: pd.DataFrame) -> str:
    """Return whether water came back after pump-outs as forecast, as far as looks can tell."""
    heads = {
        "standing": "Stands again on the day of the look",
        "back": "Was back by then, forecast before the pump-out",
    }
    return section(
        "refill",
        "Water back after pumping",
        paragraph(
            "Nobody sees the hour at which water comes back, so a band of hours cannot be scored "
            "by itself. What a look at most 90 days after a pump-out tells is whether "
            f"{facts.working_depth_in:g} in or more stood on that day."
        ),
        listed(
            [
                "Left: the vault was pumped dry before the forecast, which said how deep the water "
                "would be on the day of the look. The event is exactly what was seen.",
                "Right: the vault was to be pumped dry after the forecast, which said by when the "
                "water would be back: the hours that the schedule goes by. Water that came back "
                "and drained again is not seen any more, so dots below the line are no fault. Dots "
                "above it are: water stood where a crew was told it would not.",
            ]
        ),
        row(_reliability(events, chances, heads)),
        _event_table(events, heads),
        paragraph(
            "Skill is against how often working depth stood about as many days after other "
            "pump-outs before."
        ),
    )


def how(facts: SkillFacts) -> str:
    """Return how it was tested, and what that cannot tell."""
    sampled = (
        f"Of {facts.looked_at:,} looks {facts.points:,} were drawn at random."
        if facts.points < facts.looked_at
        else f"All {facts.looked_at:,} such looks were used."
    )
    days = ", ".join(f"{day:%Y-%m-%d}" for day in facts.origins)
    rivals = {
        "last reading": "Last reading: as full as found last.",
        "own mean": "Own mean: as full as found on average.",
        "class climatology": "Class climatology: as full as vaults of the same kind, lid and soil.",
        "exponential refill": "Exponential refill: each vault's own curve towards a level of rest.",
        "boosted trees": "Boosted trees: gradient-boosted regression of each quantile on the same "
        "facts and on rain.",
    }
    return section(
        "how",
        "How it was tested, and what that cannot tell",
        listed(
            [
                f"From each of these days, with nothing known later: {days}.",
                "Each vault is forecast for its first look after that day, at most "
                f"{facts.horizon_days} days ahead. {sampled}",
                *(words for name, words in rivals.items() if name in facts.methods),
                "The first two, and the curve, carry the spread of the errors they made before.",
                "Looks were made where crews went, not at random: vaults nobody goes to may fare "
                "otherwise.",
                "What was found is what crews wrote down, wrong entries included.",
                "Sizes, lids and other facts of vaults are as the database has them today, and an "
                "outlook of the rain counts only if the one issued then is still in the database.",
                "Intervals hold 90 %: vaults and days forecast from were drawn again with "
                "replacement, each for themselves; with few days they are wide. Those "
                "of the pictures of chances take looks as independent, and are too narrow where "
                "one storm filled many vaults.",
            ]
        ),
    )


def _back_word(event: Told) -> str:
    gap = event["happened_frac"] - event["forecast_frac"]
    if gap > 0.03:
        return "water stood more often than it was said to be back: too hopeful"
    return "not too hopeful on the whole"


def _reliability(
    events: pd.DataFrame,
    chances: pd.DataFrame,
    heads: dict[str, str],
) -> list[str]:
    pictures = []
    for event, head in heads.items():
        found = picked(events, event=event)
        if found.empty:
            continue
        told = first_row(found)
        bins = picked(chances, event=event)
        steps = "; ".join(
            f"given {percent(line['forecast_frac'])}, happened {percent(line['happened_frac'])} of "
            f"{line['points']:,}"
            for line in bins.to_dict("records")
        )
        word = _back_word(told) if event == "back" else chance_word(told)
        pictures.append(
            picture(
                reliability_picture(bins, event),
                f"{head}: {steps}.",
                f"{int(told['points']):,} looks; stated {percent(told['forecast_frac'])}, happened "
                f"{percent(told['happened_frac'])}: {word}.",
                head,
            )
        )
    return pictures


def _event_table(events: pd.DataFrame, heads: dict[str, str]) -> str:
    lines = []
    for event, head in heads.items():
        for line in picked(events, event=event).to_dict("records"):
            lines.append(
                [
                    head,
                    f"{int(line['points']):,}",
                    percent(line["forecast_frac"]),
                    percent(line["happened_frac"]),
                    f"{line['brier']:.3f}",
                    percent(line["skill"]),
                    f"{line['calibration_error']:.3f}",
                    f"{line['calibration_error_by_chance']:.3f}",
                ]
            )
    return table(
        ["Event", "Looks", "Stated", "Happened", "Brier score", "Skill", "Calibration error",
         "of that by chance"],
        lines,
        range(1, 8),
    )  # fmt: skip


def _by(rows: pd.DataFrame, column: str) -> dict[str, Told]:
    """Return the rows by what stands in a column."""
    return {str(told[column]): told for told in rows.to_dict("records")}


def _in_order(groups: pd.Series[str]) -> list[str]:
    """Return each group once: by their first number if they have one, else by name."""

    def key(group: str) -> tuple[int, str]:
        digits = group.split("-")[0].split("+")[0].split(" ")[0]
        return (int(digits), "") if digits.isdigit() else (0, _RANK.get(group, group))

    return sorted(groups.unique(), key=key)


_RANK: Final = {"high": "1", "medium": "2", "low": "3"}
