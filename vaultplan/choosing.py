"""Which vaults to sample: a draw by lot, who cannot be drawn and why, and what it will support."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan import schema, week
from vaultplan.analysis.claims import claims, samples_needed
from vaultplan.analysis.draw import draw_sample, frame_version, spread_of
from vaultplan.errors import OutputError, SchemaError, SettingsError
from vaultplan.geometry import feet_per_unit
from vaultplan.loading import OnStep, is_same_file, silent
from vaultplan.outputs.tables import write_table
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES
from vaultplan.settings import Settings
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table

#: Columns of vaults by which the fleet can be put into strata, or narrowed.
KINDS: Final = (
    *("district", "kind", "setting", "shape", "lid", "soil_group", "land_use", "gauge_id"),
    "pcb_status",
)
#: What else strata can be made by, reckoned when asked for.
RECKONED: Final = ("last_grade", "water")
_BLANK: Final = "not known"
_LOOK_COLUMNS: Final = ("visit_id", "vault_id", "visited_at", "finding", "grade")


@dataclass(frozen=True, slots=True)
class Drawn:
    """A draw and all that tells how it was made.

    ``vaults`` are samples and replacements, ``strata`` what each stratum has and gives,
    ``excluded`` a row per vault that could not be drawn with the reason, ``claims`` what the
    samples support, ``spread`` how unevenly they lie, beside the mean of draws by lot alone.
    """

    draw_id: str
    seed: int
    as_of: pd.Timestamp | None
    count: int
    vaults: gpd.GeoDataFrame
    strata: pd.DataFrame
    excluded: pd.DataFrame
    claims: pd.DataFrame
    spread: tuple[float, float]
    warnings: tuple[str, ...]


def draw(
    location: str,
    *,
    count: int | None = None,
    share: float | None = None,
    by: Sequence[str] = (),
    only: Mapping[str, str] | None = None,
    equal: bool = False,
    reserve_frac: float | None = None,
    seed: int = 1,
    as_of: pd.Timestamp | None = None,
    excluded_to: Path | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Drawn:
    """Return vaults drawn by lot for sampling, with replacements and the reasons of all others.

    Parameters
    ----------
    count
        Samples; as many as ``share`` needs if none is said.
    share
        Share of vaults that is to be ruled out if nothing is found; the settings' if none.
    by
        What strata are made of: some of ``KINDS`` and ``RECKONED``; one stratum if none.
    only
        Column of ``KINDS`` and the value that a vault must have to be drawn.
    equal
        As many samples of every stratum, instead of a share of each.
    reserve_frac
        Replacements per sample; the settings' if none.
    seed
        Seed of the lots.
    as_of
        Last day whose visits are known; the last visit's if none.
    excluded_to
        File for the vaults that could not be drawn: .csv, .gpkg or .parquet.

    Raises
    ------
    SettingsError
        If strata cannot be made so, or more samples are asked for than vaults can be drawn.
    OutputError
        If a file cannot be written or would replace the database.
    """
    _check_asked(by, only or {})
    if excluded_to is not None and is_same_file(excluded_to, location):
        raise OutputError(f"{excluded_to} is the database; name another file")
    wanted = settings.samples
    if count is None:
        count = samples_needed(share or wanted.draw_share, confidence=wanted.draw_confidence)
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        frames = _read(database, with_drains="water" in by, on_step=on_step)
    looks, as_of = _known_looks(frames["visits"], as_of, settings.time_zone)
    on_step("Leave out who cannot be drawn")
    vaults = gpd.GeoDataFrame(frames["vaults"])
    reason = why_not(vaults, looks, frames, only or {}, dry_looks=wanted.draw_dry_looks)
    can = reason.isna().to_numpy()
    mine = gpd.GeoDataFrame(vaults[can].reset_index(drop=True))
    stratum = strata_of(mine, looks, by, {**frames, "vaults": mine}, settings, on_step)
    units = _units(mine, stratum)
    on_step(f"Draw {count:,} of {len(units):,} vaults")
    drawn = draw_sample(
        units,
        count=count,
        seed=seed,
        reserve_frac=wanted.draw_reserve_frac if reserve_frac is None else reserve_frac,
        least=wanted.draw_least,
        equal=equal,
    )
    spread = spread_of(units, drawn, seed=seed)
    told = f"{frame_version(units)}{seed}{count}{equal}{drawn['listed_prob'].sum():.9f}"
    draw_id = f"draw-{_short_hash(told)}"
    excluded = vaults.loc[~can, ["vault_id", "district", "address", "geometry"]]
    excluded = excluded.assign(reason=reason[~can]).reset_index(drop=True)
    if excluded_to is not None:
        on_step("Write who cannot be drawn")
        write_table(excluded, excluded_to)
    strata = _strata(units, drawn)
    return Drawn(
        draw_id,
        seed,
        as_of,
        count,
        _listed(drawn, mine, looks, draw_id, seed),
        strata,
        excluded,
        claims(count, confidence=wanted.draw_confidence),
        (float(spread[0]), float(spread[1])),
        tuple(_warnings(strata, reason, looks, mine)),
    )


def why_not(
    vaults: pd.DataFrame,
    looks: pd.DataFrame,
    frames: schema.Frames,
    only: Mapping[str, str],
    *,
    dry_looks: int,
) -> pd.Series[str]:
    """Return why each vault cannot be drawn, the first reason that holds; blank if it can.

    Parameters
    ----------
    vaults
        Table ``vaults``.
    looks
        vault_id and finding of the visits at which somebody looked inside.
    frames
        ``plans`` and ``plan_unserved``: what the latest plan holds or refers is not drawn.
    only
        Columns and the values that vaults must have.
    dry_looks
        A vault found dry at every one of so many looks, or more, is not drawn: it has no water to
        sample. One that nobody looked into can be drawn.
    """
    seen = vaults["vault_id"].map(looks["vault_id"].value_counts()).fillna(0)
    dry = looks.loc[looks["finding"].eq("dry"), "vault_id"].value_counts()
    always_dry = seen.ge(dry_looks) & vaults["vault_id"].map(dry).eq(seen)
    kept_back = _kept_back(frames)
    held = vaults["vault_id"].map(kept_back)
    point = gpd.GeoSeries(vaults["geometry"])
    reason = pd.Series(pd.NA, index=vaults.index, dtype="str")

    def leave_out(which: Any, words: Any) -> None:
        nonlocal reason
        reason = reason.mask(reason.isna() & which, words)

    for column, value in only.items():
        leave_out(~vaults[column].eq(value).fillna(False), f"{column} is not {value}")
    leave_out(vaults["status"].eq("retired").fillna(False), "retired")
    leave_out(vaults["status"].eq("other_owner").fillna(False), "belongs to another owner")
    leave_out(point.isna() | point.is_empty, "nobody knows where it is")
    leave_out(always_dry, f"dry at every look, {dry_looks} or more")
    leave_out(held.notna(), held)
    return reason


def _kept_back(frames: schema.Frames) -> pd.Series[str]:
    """Return by vault why the latest plan that counts keeps its water back."""
    plans = frames["plans"][frames["plans"]["state"].eq("checked")]
    if plans.empty:
        return pd.Series([], index=pd.Index([], dtype="str"), dtype="str")
    last = plans.sort_values(["made_at", "plan_id"])["plan_id"].iloc[-1]
    left = frames["plan_unserved"]
    left = left[left["plan_id"].eq(last) & left["outcome"].isin(["held", "referred"])]
    left = left.drop_duplicates("vault_id").set_index("vault_id")
    told: pd.Series[str] = left["outcome"].astype("str") + f" in plan {last}"
    return told


def strata_of(
    vaults: gpd.GeoDataFrame,
    looks: pd.DataFrame,
    by: Sequence[str],
    frames: schema.Frames,
    settings: Settings,
    on_step: OnStep,
) -> pd.Series[str]:
    """Return the stratum of each vault in words; what is blank makes a stratum of its own."""
    if not by:
        return pd.Series("all", index=vaults.index, dtype="str")
    parts = []
    for name in by:
        if name == "last_grade":
            graded = looks.dropna(subset="grade").drop_duplicates("vault_id", keep="last")
            values = vaults["vault_id"].map(graded.set_index("vault_id")["grade"])
        elif name == "water":
            traces = week.trace_paths(frames, settings, on_step, with_geometry=False)
            waters = traces.set_index("vault_id")["water_id"]
            names = frames["receiving_waters"].set_index("water_id")["name"]
            values = vaults["vault_id"].map(waters).map(names)
        else:
            values = vaults[name]
        parts.append(values.astype("str").fillna(_BLANK))
    joined: pd.Series[str] = parts[0]
    for part in parts[1:]:
        joined = joined + " / " + part
    return joined


def _check_asked(by: Sequence[str], only: Mapping[str, str]) -> None:
    for name in by:
        if name not in (*KINDS, *RECKONED):
            raise SettingsError(
                f"strata cannot be made by {name!r}; choose of {', '.join((*KINDS, *RECKONED))}"
            )
    for name in only:
        if name not in KINDS:
            raise SettingsError(f"vaults cannot be narrowed by {name!r}; choose of {KINDS}")


def _read(database: Database, *, with_drains: bool, on_step: OnStep) -> dict[str, pd.DataFrame]:
    names = ["vaults", "visits", "plans", "plan_unserved"]
    if with_drains:
        names = list(dict.fromkeys([*names, *DRAIN_TABLES, *STREET_TABLES, "inlet_choices"]))
    frames = {}
    for done, name in enumerate(names):
        on_step("Read the database", done, len(names))
        columns = _LOOK_COLUMNS if name == "visits" else None
        frames[name] = read_table(database, name, columns=columns)
    on_step("Read the database", len(names), len(names))
    if frames["vaults"].empty:
        raise SchemaError("there are no vaults; load them first: vaultplan load vaults FILE")
    return frames


def _known_looks(
    visits: pd.DataFrame, as_of: pd.Timestamp | None, time_zone: str
) -> tuple[pd.DataFrame, pd.Timestamp | None]:
    """Return the looks into vaults that are known, oldest first, and the last day known."""
    if as_of is None and len(visits):
        last = visits["visited_at"].max()
        as_of = None if pd.isna(last) else last.tz_convert(time_zone).tz_localize(None).normalize()
    if as_of is not None:
        end = (as_of.normalize() + pd.Timedelta(days=1)).tz_localize(time_zone)
        visits = visits[visits["visited_at"] < end]
    seen = visits["finding"].isin(["dry", "wet", "full"])
    return visits[seen].sort_values(["visited_at", "visit_id"], ignore_index=True), as_of


def _units(vaults: gpd.GeoDataFrame, stratum: pd.Series[str]) -> pd.DataFrame:
    points = vaults.geometry
    unit_ft = feet_per_unit(vaults) if len(vaults) else 1.0
    return pd.DataFrame(
        {
            "vault_id": vaults["vault_id"],
            "stratum": stratum,
            "x": points.x.to_numpy() * unit_ft,
            "y": points.y.to_numpy() * unit_ft,
        }
    )


def _listed(
    drawn: pd.DataFrame, vaults: gpd.GeoDataFrame, looks: pd.DataFrame, draw_id: str, seed: int
) -> gpd.GeoDataFrame:
    own = vaults.set_index("vault_id")
    at = drawn["vault_id"]
    looks = looks[looks["vault_id"].isin(at)]
    wet = looks[looks["finding"].isin(["wet", "full"])].groupby("vault_id")["visited_at"].max()
    told = drawn.assign(
        address=at.map(own["address"]),
        district=at.map(own["district"]),
        access_notes=at.map(own["access_notes"]),
        looks=at.map(looks.groupby("vault_id").size()).fillna(0).astype("int64"),
        last_wet_at=at.map(wet),
        draw_id=draw_id,
        seed=seed,
    )
    shapes = gpd.GeoSeries(own.geometry.reindex(at).array, index=told.index, crs=vaults.crs)
    placed: gpd.GeoDataFrame = gpd.GeoDataFrame(told, geometry=shapes)
    return placed


def _strata(units: pd.DataFrame, drawn: pd.DataFrame) -> pd.DataFrame:
    sizes = units.groupby("stratum").size().rename("vaults").to_frame()
    for name, role in (("samples", "sample"), ("replacements", "replacement")):
        counts = drawn.loc[drawn["role"] == role, "stratum"].value_counts()
        sizes[name] = counts.reindex(sizes.index).fillna(0).astype("int64")
    sizes["inclusion_prob"] = sizes["samples"] / sizes["vaults"]
    return sizes.reset_index()


def _warnings(
    strata: pd.DataFrame, reason: pd.Series[str], looks: pd.DataFrame, mine: pd.DataFrame
) -> list[str]:
    told = []
    chances: npt.NDArray[np.float64] = strata["inclusion_prob"].to_numpy()
    if len(strata) > 1 and chances.max() > 1.1 * chances.min():
        told.append(
            "Strata are drawn with different chances: use the weights for any figure of all "
            "vaults; the claims hold for a stratum with its own number of samples."
        )
    unseen = int((~mine["vault_id"].isin(looks["vault_id"])).sum())
    if unseen:
        told.append(f"{unseen:,} vaults that can be drawn were never looked into.")
    if reason.notna().any():
        told.append(
            f"Nothing is claimed of the {int(reason.notna().sum()):,} vaults that cannot be drawn."
        )
    return told


def _short_hash(words: str) -> str:
    return hashlib.sha256(words.encode()).hexdigest()[:8]
