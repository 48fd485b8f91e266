"""README's table of fleet scale, and the plot of growth, from the JSON that benchmarks wrote."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

MEASURED = Path(__file__).parents[1] / "tests" / "benchmarks" / "measured"
#: Files of figures, as the table takes them.
KINDS = ("store", "plan", "analysis", "faults", "board")
BEGIN, END = "<!-- bench -->\n", "<!-- /bench -->\n"
#: What is asked for of a figure, beside what was measured.
MOST = {
    "file: load over bare read and insert": 3.0,
    "server: load over bare read and COPY": 1.5,
    "server: write frames over COPY alone": 1.5,
    "file: read over pyogrio": 1.5,
    "server: read over pyogrio": 1.5,
}

#: What is asked for of a plan of the largest fleet.
OF_PLAN = {"anew": "180 s, 6 GB", "after 500 visits": "15 s"}
OF_ANALYSIS = {"hotspots, 999 random maps, with its page": "60 s"}
#: Runs of the benchmark of whole plans, with colour and mark in the plot.
RUNS = {
    "anew": ("#2E0F45", "o"),
    "after 500 visits": ("#B0539F", "s"),
    "nothing changed": ("#3A7CA5", "^"),
}


def measured(name: str) -> dict[str, Any]:
    """Return one benchmark's figures; empty if it was not taken over."""
    path = MEASURED / f"{name}.json"
    return dict(json.loads(path.read_text(encoding="utf-8"))) if path.is_file() else {}


def table(
    store: dict[str, Any],
    plan: dict[str, Any],
    analysis: dict[str, Any],
    faults: dict[str, Any],
    board: dict[str, Any],
) -> str:
    """Return the table as Markdown."""
    lines = ["| | measured | aim |", "|---|---|---|"]

    def row(what: str, found: str, aim: str = "") -> None:
        lines.append(f"| {what} | {found} | {aim} |")

    if store:
        steps, ratios = store["steps"], store["ratios"]
        rows = steps["file: load"]["rows"]
        for place, told in (("file", "a file"), ("server", "a PostGIS server")):
            taken = steps[f"{place}: load"]
            row(
                f"loading {rows:,} vaults and visits into {told}",
                f"{taken['seconds']:.0f} s, {taken['peak_mb'] / 1000:.1f} GB",
            )
        for name, ratio in ratios.items():
            row(name.replace(":", ","), f"{ratio:.2f} times", _aim(MOST.get(name)))
        for place in ("file", "server"):
            window = steps[f"{place}: windows"]
            row(
                f"a map window of some {window['rows']:,} vaults, {place}",
                f"{window['median_ms']:.1f} ms (p95 {window['p95_ms']:.1f})",
                "20 ms",
            )
    fleets = plan.get("fleets", [])
    for fleet in fleets:
        for name, run in fleet["runs"].items():
            row(
                f"`plan`, {fleet['vaults']:,} vaults, {fleet['visits']:,} visits, {name}",
                f"{run['seconds_besides']:.0f} s besides the solver's "
                f"{run['seconds'] - run['seconds_besides']:.0f} s, {run['peak_mb'] / 1000:.1f} GB",
                OF_PLAN.get(name, "") if fleet is fleets[-1] else "",
            )
    if len(fleets) > 1:
        first, last = (
            fleet["runs"]["anew"]["seconds_besides"] for fleet in fleets[:: len(fleets) - 1]
        )
        row(
            f"`plan` anew, {fleets[-1]['vaults']:,} over {fleets[0]['vaults']:,} vaults",
            f"{last / first:.1f} times",
            "10 times",
        )
    for name, run in analysis.get("steps", {}).items():
        row(
            f"`vaultplan {name.split(',')[0]}`{name[len(name.split(',')[0]) :]}, "
            f"{analysis['vaults']:,} vaults",
            f"{run['seconds']:.0f} s, {run['peak_mb'] / 1000:.1f} GB",
            OF_ANALYSIS.get(name, ""),
        )
    for name, waited_ms in board.get("p95_ms", {}).items():
        row(
            f"the board, {board['people']} people at once, {board['vaults']:,} vaults: "
            f"{name}, 95 of 100 answers within",
            f"{waited_ms:.0f} ms",
            "300 ms",
        )
    if board.get("moves_s"):
        row(
            f"the board, {board['vaults']:,} vaults: an order moved and held to every limit, "
            f"slowest of {len(board['moves_s'])}",
            f"{max(board['moves_s']):.1f} s",
        )
    kills = [step for store in faults.values() for step in store.values() if _is_kill(step)]
    if kills:
        tried, inside, survived, lost = (
            sum(step[name] for step in kills)
            for name in ("tried", "inside", "survived", "rows_lost")
        )
        row(
            f"`kill -9` in loads, upgrades, forecasts and plans, {tried} times, {inside} of them "
            "while it wrote",
            f"{survived} survived, {lost} rows lost",
            "0 lost",
        )
    return "\n".join(lines) + "\n"


def _is_kill(step: object) -> bool:
    return isinstance(step, dict) and "survived" in step


def _aim(most: float | None) -> str:
    return "" if most is None else f"{most:g} times"


def plot(plan: dict[str, Any], path: Path) -> None:
    """Draw seconds of a plan over the number of vaults, with a line for growth in proportion."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    fleets = plan["fleets"]
    vaults = [fleet["vaults"] for fleet in fleets]
    figure, axes = plt.subplots(figsize=(7.2, 3.8), dpi=130)
    for name, (colour, mark) in RUNS.items():
        seconds = [fleet["runs"][name]["seconds_besides"] for fleet in fleets]
        axes.plot(vaults, seconds, marker=mark, color=colour, label=name, linewidth=2)
        axes.annotate(
            f"{seconds[-1]:.0f} s",
            (vaults[-1], seconds[-1]),
            (6, -3),
            textcoords="offset points",
            color=colour,
        )
    first = fleets[0]["runs"]["anew"]["seconds_besides"]
    axes.plot(
        [vaults[0], vaults[-1]],
        [first, first * vaults[-1] / vaults[0]],
        color="#888888",
        linestyle="--",
        label="in proportion to the vaults",
    )
    axes.set(xlabel="vaults", ylabel="seconds besides the solver's", ylim=(0, None))
    axes.xaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda x, _: f"{x:,.0f}"))
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlim(0, vaults[-1] * 1.12)
    axes.legend(frameon=False)
    figure.tight_layout()
    figure.savefig(path, metadata={"Software": None})


def written_into(text: str, lines: str) -> str:
    """Return the README's text with the table between its marks replaced."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    if not rest:
        raise SystemExit(f"README lacks the marks {BEGIN.strip()} and {END.strip()}")
    return f"{before}{BEGIN}{lines}{END}{after}"


if __name__ == "__main__":
    readme, picture = Path(sys.argv[1]), Path(sys.argv[2])
    lines = table(*(measured(name) for name in KINDS))
    readme.write_text(written_into(readme.read_text(encoding="utf-8"), lines), encoding="utf-8")
    if measured("plan"):
        plot(measured("plan"), picture)
