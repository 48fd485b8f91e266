"""What crews wrote down about each visit, and what the laboratory found.

Readings are rounded, patchy and now and then wrong.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from fleet.ground import Array
from fleet.rain import Rain
from fleet.vaults import Vaults
from fleet.water import Rounds, floor_area_sqft

GAL_PER_CUFT = 1728 / 231
ODORS = np.array(["sewage", "petroleum", "rotten egg", "musty"], dtype=object)
REMARKS = np.array(
    [
        "Roots through the duct",
        "Duct plug missing",
        "Silt on the floor",
        "Sump full of grit",
        "Lid gasket torn",
        "Water ran back from the duct",
        "Trash in the chamber",
        "Needs a second pump next time",
    ],
    dtype=object,
)
#: WQX characteristic, unit, method, reporting limit, centre of log10 value by grade, spread
TESTS = (
    ("Total suspended solids", "mg/L", "2540-D", 2.0, (0.9, 1.6, 2.3), 0.35),
    ("Oil and Grease", "mg/L", "1664B", 5.0, (0.2, 0.7, 1.3), 0.40),
    ("Copper", "ug/L", "200.8", 1.0, (1.0, 1.5, 2.0), 0.35),
    ("Lead", "ug/L", "200.8", 0.5, (0.1, 0.7, 1.3), 0.45),
    ("Zinc", "ug/L", "200.8", 5.0, (1.6, 2.1, 2.6), 0.35),
    ("Polychlorinated biphenyls", "ug/L", "608.3", 0.5, (-1.6, -1.4, -1.0), 0.40),
)


def write_down(
    vaults: Vaults,
    rounds: Rounds,
    rain: Rain,
    gauge: Any,
    inlet: Any,
    inlet_gap: Array,
    inlet_ids: Any,
    crews: int,
    first_number: int,
    code: str,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the visits table, rows in order of time."""
    rows = len(rounds.vault)
    minute = rng.integers(0, 8 * 60, rows)
    order = np.lexsort((minute, rounds.day))
    r = Rounds(*(getattr(rounds, name)[order] for name in Rounds.__dataclass_fields__))
    minute = minute[order]
    at = r.vault
    roof = vaults.size["depth_ft"].to_numpy()[at] * 12
    depth, left = np.asarray(r.found_in, float), np.asarray(r.left_in, float)
    read = depth + rng.normal(0, 0.35 + 0.015 * depth, rows)
    coarse = rng.random(rows) < 0.3
    read = np.where(coarse, np.round(read / 3) * 3, np.round(read))
    dry = (depth < 0.6) | (read < 1)
    full = depth >= 0.95 * roof
    read = np.where(dry, 0.0, np.where(full, np.floor(roof), np.clip(read, 1, np.floor(roof))))
    finding = np.where(dry, "dry", np.where(full, "full", "wet")).astype(object)
    grade = _grades(vaults, r, dry, rain, gauge, rng)
    pumped = r.pumped & ~dry
    contains = (vaults.table["pcb_status"] == "contains").to_numpy()[at]
    disposal = _disposal(grade, pumped, contains, rng)
    area = floor_area_sqft(vaults.size)[at]
    volume = (
        np.maximum(depth - left, 0) / 12 * area * GAL_PER_CUFT * (1 + rng.exponential(0.04, rows))
    )
    metered = rng.random(rows) < np.where(disposal == "vacuum_truck", 0.8, 0.45)
    volume = np.where(
        metered,
        np.maximum(np.round(volume * rng.normal(1, 0.03, rows)), 4),
        np.maximum(np.round(volume * np.exp(rng.normal(0, 0.16, rows)) / 25) * 25, 10),
    )
    volume[~pumped | (rng.random(rows) < 0.03)] = np.nan
    basis = np.where(np.isnan(volume), None, np.where(metered, "measured", "estimated"))
    gpm = np.where(disposal == "filter_sock", 115, 150) * np.exp(rng.normal(0, 0.2, rows))
    pump = np.where(
        pumped & (rng.random(rows) < 0.85),
        np.ceil(np.nan_to_num(volume, nan=np.nan) / gpm + 1),
        np.nan,
    )
    socks = np.where(disposal == "filter_sock", 1 + np.floor(np.nan_to_num(volume) / 650), np.nan)
    left_read = np.where(pumped, np.round(left), read)
    left_read = np.minimum(left_read, read)
    left_read[pumped & (rng.random(rows) < 0.25)] = np.nan
    read[full & (rng.random(rows) < 0.2)] = np.nan
    read[~dry & (rng.random(rows) < 0.012)] = np.nan
    _spoil(read, volume, roof, dry | full, rng)
    drained = np.isin(disposal, ["storm_drain", "filter_sock"])
    told = drained & (inlet_gap[at] < 450) & (rng.random(rows) < 0.75)
    inlet_id = np.where(told, inlet_ids[inlet[at]], None)
    fell = rain.rain_in[gauge[at], r.day]
    raining = fell > rng.exponential(0.35, rows)
    sheen = rng.random(rows) < _by_grade(grade, (0.004, 0.05, 0.34, 0.03))
    odor = np.where(
        rng.random(rows) < _by_grade(grade, (0.01, 0.04, 0.16, 0.01)), rng.choice(ODORS, rows), None
    )
    remark = np.where(rng.random(rows) < 0.03, rng.choice(REMARKS, rows), None)
    utc = rain.days[r.day].astype("datetime64[m]") + 17 * 60 + minute
    for column in (read, left_read):
        column[~r.seen] = np.nan
    grade[~r.seen] = None
    for column in (odor, disposal, basis, inlet_id):
        column[~r.seen] = None
    finding[~r.seen] = "not_seen"
    remark[~r.seen] = rng.choice(
        np.array(["Parked over", "Lid seized", "No access", None], dtype=object),
        int((~r.seen).sum()),
    )
    sheen_blank = ~r.seen | dry | (rng.random(rows) < 0.05)
    ids = vaults.table["vault_id"].to_numpy(object)
    number = np.arange(first_number, first_number + rows)
    past = np.array([f"{code}-P{k}" for k in rng.integers(10000, 99999, rows)], dtype=object)
    shown = np.array([f"C{c:02d}" for c in range(1, crews + 1)], dtype=object)
    return pd.DataFrame(
        {
            "visit_id": ("V" + pd.Series(number).astype(str).str.zfill(7)).to_numpy(object),
            "vault_id": ids[at],
            "visited_at": np.datetime_as_string(utc.astype("datetime64[s]"), timezone="UTC"),
            "order_id": np.where(rng.random(rows) < 0.55, past, None),
            "finding": finding,
            "depth_in": read,
            "left_depth_in": left_read,
            "grade": grade,
            "has_sheen": pd.array(np.where(sheen_blank, None, sheen), dtype="boolean"),
            "odor": odor,
            "disposal": disposal,
            "volume_gal": volume,
            "volume_basis": basis,
            "socks_used": pd.array(np.where(np.isnan(socks), None, socks), dtype="Int64"),
            "pump_minutes": pump,
            "inlet_id": inlet_id,
            "was_raining": pd.array(
                np.where(rng.random(rows) < 0.06, None, raining), dtype="boolean"
            ),
            "crew": shown[rng.integers(0, crews, rows)],
            "notes": remark,
        }
    )


def _grades(vaults: Vaults, r: Rounds, dry: Any, rain: Rain, gauge: Any, rng: Any) -> Any:
    """Return the look of the water.

    Old water, dirty quarters and the first rain after a drought look worse.
    """
    rows = len(r.vault)
    wet_before = np.cumsum(np.pad(rain.rain_in, ((0, 0), (30, 0))), axis=1)
    g = gauge[r.vault]
    month = wet_before[g, r.day + 27] - wet_before[g, r.day]
    flush = (month < 0.15) & (rain.rain_in[g, r.day] > 0.05)
    sediment = 0.55 * np.log1p(np.clip(r.since_pumped, 0, 1500) / 120)
    score = 1.05 * vaults.dirt[r.vault] + sediment + 0.6 * flush + rng.logistic(0, 0.55, rows)
    score -= 0.35 * np.log1p(np.asarray(r.found_in) / 20)
    grade = np.where(score < 0.70, "clear", np.where(score < 2.2, "light", "heavy")).astype(object)
    grade[dry | (rng.random(rows) < 0.025)] = None
    return grade


def _disposal(grade: Any, pumped: Any, contains: Any, rng: Any) -> Any:
    """Return what was done with the water: mostly what its look calls for."""
    words = np.array(["storm_drain", "filter_sock", "vacuum_truck"], dtype=object)
    shares = {
        "clear": (0.93, 0.06, 0.01),
        "light": (0.04, 0.87, 0.09),
        "heavy": (0.005, 0.055, 0.94),
        None: (0.55, 0.35, 0.10),
    }
    table = np.array([shares[key] for key in ("clear", "light", "heavy", None)])
    row = _by_grade(grade, (0, 1, 2, 3)).astype(int)
    step = (rng.random((len(grade), 1)) > np.cumsum(table[row], axis=1)).sum(axis=1).clip(0, 2)
    step[contains] = 2
    return np.where(pumped, words[step], "none").astype(object)


def _by_grade(grade: Any, values: tuple[float, ...]) -> Array:
    """Return a value per row for clear, light, heavy and blank."""
    return np.select([grade == "clear", grade == "light", grade == "heavy"], values[:3], values[3])


def _spoil(read: Array, volume: Array, roof: Array, leave: Any, rng: Any) -> None:
    """Enter a few readings wrongly: feet for inches, inches past the roof, a nought too many."""
    rows = len(read)
    odd = rng.random(rows)
    feet = (odd < 0.0015) & ~leave & (read > 11)
    read[feet] = np.round(read[feet] / 12, 1)
    deep = (odd > 0.9992) & ~leave
    read[deep] = np.round(roof[deep] * rng.uniform(1.1, 2.0, int(deep.sum())))
    nought = (odd > 0.5) & (odd < 0.501)
    volume[nought] *= 10


def take_samples(visits: pd.DataFrame, code: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return laboratory results of about one visit in a hundred; a result or why there is none."""
    rank = pd.Series(visits["grade"]).map({"clear": 0, "light": 1, "heavy": 2}).to_numpy(float)
    chosen = np.flatnonzero((rng.random(len(visits)) < 0.0165) & np.isfinite(rank))
    rows = []
    for test, unit, method, limit, centres, spread in TESTS:
        sub = chosen[
            rng.random(len(chosen)) < (0.95 if limit != 0.5 or method == "200.8" else 0.35)
        ]
        value = 10 ** (np.array(centres)[rank[sub].astype(int)] + rng.normal(0, spread, len(sub)))
        for stage in ("raw", "filtered"):
            if stage == "filtered":
                keep = rng.random(len(sub)) < 0.22
                sub, value = sub[keep], value[keep] * rng.uniform(0.2, 0.7, int(keep.sum()))
            limits = limit * rng.choice([1.0, 1.0, 2.0], len(sub))
            low = value < limits
            digits = np.where(value < 10, 2, np.where(value < 100, 1, 0))
            shown = np.array(
                [round(v, int(d)) for v, d in zip(value, digits, strict=True)], dtype=float
            )
            rows.append(
                pd.DataFrame(
                    {
                        "at": sub,
                        "stage": stage,
                        "characteristic": test,
                        "result_value": np.where(low, np.nan, shown),
                        "result_unit": unit,
                        "detection_condition": np.where(low, "Not Detected", None).astype(object),
                        "reporting_limit": limits,
                        "method_id": method,
                    }
                )
            )
    table = pd.concat(rows, ignore_index=True).sort_values("at", kind="stable")
    at = table.pop("at").to_numpy()
    table["visit_id"] = visits["visit_id"].to_numpy(object)[at]
    # Laboratories take one day to nine, and do not always say when.
    later = 1 + at * 7 % 9
    on = pd.to_datetime(visits["visited_at"]).to_numpy("datetime64[D]")[at] + later
    table["analyzed_on"] = np.where(at % 5 == 0, np.datetime64("NaT"), on)
    table.insert(0, "sample_id", [f"{code}-L{k:05d}" for k in range(1, len(table) + 1)])
    return table
