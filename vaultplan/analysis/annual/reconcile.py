"""Whether every line of the report is the sum of the visits it is made of, counted another way."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from decimal import Decimal

import pandas as pd

from vaultplan.analysis.annual.lines import SUMS
from vaultplan.analysis.annual.rows import BREAKDOWNS


def recounted(rows: Iterable[Mapping[str, str]]) -> dict[tuple[str, str], dict[str, int]]:
    """Return the sums of every line, visit by visit, from the text of the drill-down file.

    Parameters
    ----------
    rows
        The file's rows as text, with columns as in :mod:`vaultplan.analysis.annual.rows`.

    Notes
    -----
    Gallons are added as decimals, not as the report adds them; only pump-outs are in a line.
    """
    sums: dict[tuple[str, str], dict[str, int]] = defaultdict(lambda: dict.fromkeys(SUMS, 0))
    for row in rows:
        if row["counted"] != "pump-out":
            continue
        written = row["volume_gal"]
        tenths = int(Decimal(written) * 10) if written else 0
        basis = row["volume_basis"]
        for name, columns in BREAKDOWNS.items():
            line = sums[name, " / ".join(row[column] for column in columns) or "all"]
            line["events"] += 1
            line["tenths"] += tenths
            if not written:
                line["unknown_events"] += 1
            elif basis == "measured":
                line["measured_tenths"] += tenths
            elif basis == "estimated":
                line["estimated_tenths"] += tenths
            else:
                line["unstated_tenths"] += tenths
            if row["socks_used"]:
                line["socks"] += int(row["socks_used"])
            elif row["method"] == "filter_sock":
                line["unknown_sock_events"] += 1
    return dict(sums)


def unreconciled(
    lines: pd.DataFrame, counts: Mapping[tuple[str, str], Mapping[str, int]]
) -> list[str]:
    """Return in words every line that is not the sum of its visits, and every sum without a line.

    Lines of zeros need no visits. The lines of each breakdown must add up to the line ``all`` too.
    """
    wrong = []
    left = dict(counts)
    zeros = dict.fromkeys(SUMS, 0)
    for line in lines.to_dict("records"):
        own = left.pop((str(line["breakdown"]), str(line["key"])), zeros)
        for name in SUMS:
            if int(line[name]) != own[name]:
                wrong.append(
                    f"{line['breakdown']} {line['key']}: {name} is {line[name]}, its visits have "
                    f"{own[name]}"
                )
    wrong += [f"{name} {key}: visits without a line" for name, key in left]
    whole = lines[lines["breakdown"].eq("all")]
    for breakdown, part in lines.groupby("breakdown", sort=False):
        for column in SUMS:
            if int(part[column].sum()) != int(whole[column].sum()):
                wrong.append(f"the lines by {breakdown} do not add up to all: {column}")
    return wrong


def recounted_lines(counts: Mapping[tuple[str, str], Mapping[str, int]]) -> pd.DataFrame:
    """Return recounted sums as the report's lines are: breakdown, key and every sum."""
    rows = [{"breakdown": name, "key": key, **sums} for (name, key), sums in counts.items()]
    return pd.DataFrame(rows, columns=["breakdown", "key", *SUMS])
