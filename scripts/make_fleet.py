#!/usr/bin/env python3
"""Write an invented fleet of any size: same seed and size, same bytes.

Example: python scripts/make_fleet.py --vaults 1500 --seed 7 --out data/demo
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from fleet.bounds import breaks, edits
from fleet.files import Sink
from fleet.names import SEA, UTILITY, town_names
from fleet.rain import let_it_rain, outlook
from fleet.town import Site, build_town, gauge_spots
from fleet.work import crew_count, lowered, order_count, truck_fleet

TOWN_VAULTS = 10_000
SETTINGS = f"""\
# Settings of the invented utility of Saltmarrow; every name in it is made up.
time_zone = "Etc/GMT+10"

[outputs]
utility = "{UTILITY}"
contact = "Dispatch desk, extension 0 (invented)"

[schedule]
seconds = 20
"""
README = """\
# An invented fleet

Everything here is invented: {utility}, the town of Saltmarrow and every street, creek,
vault, visit, gauge and truck. The places lie in the open sea near 38 N 147 W (EPSG:32606, metres),
where there is no land at all. Nothing in these files describes a real person, place or piece of
equipment.

Written by

    {command} --out DIR

The same command writes the same bytes. `spatial.gpkg` holds a layer for every table with a place,
the CSV files are the other tables, `vaultplan.toml` the settings. "Today" is Friday 2026-10-30; the
week to plan starts on Monday 2026-11-02. Local time is UTC-10 all year.

A few things are wrong on purpose, as in any real register: blank sizes, readings entered in feet,
inlets that no pipe leaves, a main that is missing, a loop, a combined sewer in one corner, an
outfall whose water nobody entered, waters whose protection nobody looked up.

| table | rows |
|---|---|
{rows}
"""


def main(arguments: list[str] | None = None) -> None:
    """Read the arguments and write the fleet."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument(
        "--vaults", type=int, default=1500, help="how many vaults, 1,500 to 400,000"
    )
    parser.add_argument("--seed", type=int, default=7, help="seed of everything that is drawn")
    parser.add_argument("--years", type=int, default=8, help="years of rain and visits")
    parser.add_argument("--out", type=Path, required=True, help="folder to write into")
    parser.add_argument(
        "--town-vaults", type=int, default=TOWN_VAULTS, help="about how many of them in a town"
    )
    options = parser.parse_args(arguments)
    make_fleet(options.vaults, options.seed, options.years, options.town_vaults, options.out)


def make_fleet(vaults: int, seed: int, years: int, town_vaults: int, out: Path) -> dict[str, int]:
    """Write the fleet into ``out`` and return the rows written to each table."""
    if min(vaults, town_vaults) < 1500 or years < 1:
        raise SystemExit("a town has at least 1,500 vaults, and its record at least a year")
    begun = time.monotonic()
    places = max(1, round(vaults / town_vaults))
    rng = np.random.default_rng([seed, 99])
    names = town_names(places, rng)
    per_town = np.diff(np.round(np.linspace(0, vaults, places + 1)).astype(int))
    orders = np.diff(np.round(np.linspace(0, order_count(vaults), places + 1)).astype(int))
    crews = crew_count(vaults)
    piece_m = 50.0 if vaults < 5000 else 23.0
    sites = [
        Site(seed, k, places, names[k], int(per_town[k]), int(orders[k]), crews, piece_m)
        for k in range(places)
    ]
    each = max(1, -(-3 // places))
    spots = [gauge_spots(site.ground(), each, site.rng(12)) for site in sites]
    gauge_ids = [f"{site.code}-G{g + 1}" for site in sites for g in range(each)]
    rain = let_it_rain(gauge_ids, np.vstack(spots), years, rng)
    sink = Sink(out)
    titles = [f"{site.name} gauge {g + 1}" for site in sites for g in range(each)]
    sink.layer(
        "gauges",
        pd.DataFrame(
            {
                "gauge_id": gauge_ids,
                "name": titles,
                "geometry": shapely.points(rain.xy),
            }
        ),
    )
    g, d = np.indices(rain.rain_in.shape)
    sink.rows(
        "rainfall",
        pd.DataFrame(
            {
                "gauge_id": np.array(gauge_ids, dtype=object)[g.ravel()],
                "fell_on": rain.days[d.ravel()],
                "rain_in": rain.rain_in.ravel(),
            }
        ),
    )
    sink.rows("rain_outlook", outlook(rain, rng))
    depots: list[str] = []
    seas = []
    last_end = ("", np.zeros(2))
    for site in sites:
        town = build_town(site, rain, sink, "W-sea")
        depots += town["depots"]
        seas.append(town["sea"])
        if site.place:
            sink.layer("roads", _coast_road(site.code, last_end, town["ends"][0]))
        last_end = town["ends"][1]
        if site.place == 0:
            sink.rows("overrides", lowered(town["table"], rng))
            sink.rows("plan_edits", edits(town["orders"]))
        spent = time.monotonic() - begun
        print(
            f"{site.name}: {sink.counts['vaults']:,} of {vaults:,} vaults, {spent:.0f} s",
            file=sys.stderr,
        )
    sink.layer(
        "receiving_waters",
        pd.DataFrame(
            {
                "water_id": ["W-sea"],
                "name": [SEA],
                "kind": ["sea"],
                "downstream_water_id": [None],
                "protection": ["none"],
                "impairments": ["none"],
                "uses": ["swimming;fishing;boating"],
                "geometry": [shapely.union_all(seas)],
            }
        ),
    )
    sink.rows("trucks", breaks(truck_fleet(vaults, depots, rng)))
    (out / "vaultplan.toml").write_text(SETTINGS, encoding="utf-8")
    (out / "README.md").write_text(
        _readme(vaults, seed, years, town_vaults, sink.counts), encoding="utf-8"
    )
    return sink.counts


def _coast_road(
    code: str, west: tuple[str, np.ndarray], east: tuple[str, np.ndarray]
) -> pd.DataFrame:
    """Return the road that joins a town to the one before it along the coast."""
    line = shapely.LineString([west[1], east[1]])
    return pd.DataFrame(
        {
            "road_id": [f"{code}-COAST"],
            "name": ["Coast Road"],
            "from_node": [west[0]],
            "to_node": [east[0]],
            "minutes": [round(line.length / 1609.344 / 45 * 60, 2)],
            "one_way": [False],
            "geometry": [line],
        }
    )


def _readme(vaults: int, seed: int, years: int, town_vaults: int, counts: dict[str, int]) -> str:
    command = f"python scripts/make_fleet.py --vaults {vaults} --seed {seed} --years {years}"
    if town_vaults != TOWN_VAULTS:
        command += f" --town-vaults {town_vaults}"
    rows = "\n".join(f"| {name} | {counts[name]:,} |" for name in sorted(counts))
    return README.format(utility=UTILITY, command=command, rows=rows)


if __name__ == "__main__":
    main()
