#!/usr/bin/env python3
"""Spoil a clean fleet folder at known rows, or measure how much of the damage is found.

Same folder, seed and ways: same bytes. DIR gets the dirty files and answers.csv.

Example: python scripts/spoil.py data/demo --out out/dirty --seed 1
         python scripts/spoil.py out/dirty --report --clean data/demo
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from spoiling import other_ways, time_ways, vault_ways, visit_ways
from spoiling.bench import WAYS, Bench, Way
from spoiling.folder import Folder
from spoiling.measure import report

__all__ = ["WAYS", "report", "spoil"]

#: Vaults are spoiled first, so that no spoiled row of another table is at a spoiled vault.
_ENTERED = (vault_ways, visit_ways, time_ways, other_ways)


def in_order() -> list[Way]:
    """Return all ways in the order in which they are used."""
    homes = [module.__name__ for module in _ENTERED]
    return sorted(WAYS.values(), key=lambda way: homes.index(way.spoil.__module__))


def spoil(
    folder: Path, out: Path, seed: int, ways: Sequence[str] = (), per_way: int = 20
) -> pd.DataFrame:
    """Write a spoiled copy of a folder; return what was done to which row (``bench.ANSWERS``).

    Parameters
    ----------
    folder, out
        The clean folder, and the one to write; they may not be the same.
    ways
        Names out of ``WAYS``; all if none is given.
    per_way
        Rows to spoil in each way, at most a third of a table and as many as can be known.
    """
    unknown = sorted(set(ways) - set(WAYS))
    if unknown:
        raise SystemExit(f"no way {', '.join(unknown)}; choose from {', '.join(WAYS)}")
    bench = Bench(Folder(folder), seed, per_way)
    for way in in_order():
        if not ways or way.name in ways:
            bench.run(way)
    bench.folder.write(out)
    answers = bench.told()
    answers.to_csv(out / "answers.csv", index=False, lineterminator="\n")
    return answers


def main(arguments: list[str] | None = None) -> None:
    """Read the arguments and spoil, measure, or tell the ways."""
    form = argparse.RawTextHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=form)
    parser.add_argument("folder", type=Path, nargs="?", help="clean folder, or a spoiled one")
    parser.add_argument("--out", type=Path, help="folder to write into")
    parser.add_argument("--seed", type=int, default=1, help="seed of everything that is drawn")
    parser.add_argument("--ways", default="", help="names with commas between them; all if blank")
    parser.add_argument("--per-way", type=int, default=20, help="rows to spoil in each way")
    parser.add_argument("--report", action="store_true", help="measure what is found instead")
    parser.add_argument("--clean", type=Path, help="for --report: the folder before it was spoiled")
    parser.add_argument("--list", action="store_true", help="tell every way and its rule")
    options = parser.parse_args(arguments)
    if options.list:
        for way in in_order():
            print(f"{way.name} ({way.rule}, {way.table}): {way.told}")
        return
    if options.folder is None:
        parser.error("name a folder")
    if options.report:
        answers = options.folder / "answers.csv"
        with pd.option_context("display.width", 160, "display.max_rows", None):
            print(report(options.folder, answers, clean=options.clean).to_string(index=False))
        return
    if options.out is None:
        parser.error("name a folder to write into with --out")
    ways = [name for name in options.ways.split(",") if name]
    answers = spoil(options.folder, options.out, options.seed, ways, options.per_way)
    rows = len(answers.drop_duplicates(["table", "row"]))
    print(f"{options.out}: {rows} rows spoiled in {answers['way'].nunique()} ways; see answers.csv")


if __name__ == "__main__":
    main()
