"""The whole walk: one function per verb of the command line.

load -> forecast -> trace -> decide -> rank -> schedule -> check -> publish
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd

from vaultplan import schema, week
from vaultplan.errors import OutputError, ScheduleError, SchemaError, SettingsError, StoreError
from vaultplan.forecast.soiling import soiling
from vaultplan.keeping import forget, program_version
from vaultplan.loading import OnStep, is_same_file, load, new, read_frames, silent
from vaultplan.outputs.publish import LAYERS, check_folder, write_outputs
from vaultplan.outputs.tables import write_table as write_file
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES, WATER_TABLES
from vaultplan.schedule.checker import Breach, check_plan
from vaultplan.settings import Settings, load_settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

DEMO_CRS: Final = "EPSG:32606"
DEMO_NAME: Final = "Saltmarrow (invented)"


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A published plan: its id, its tables, the lines that sum it up, the files written.

    ``reused`` tells what was kept from an earlier run and did not have to be done anew.
    """

    plan_id: str
    as_of: pd.Timestamp
    frames: schema.Frames
    lines: tuple[str, ...]
    written: tuple[Path, ...]
    reused: tuple[str, ...] = ()


def forecast(
    location: str,
    *,
    days: Sequence[pd.Timestamp] = (),
    points: Path | None = None,
    vault_ids: Sequence[str] | None = None,
    as_of: pd.Timestamp | None = None,
    with_solids: bool = False,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return table ``forecasts`` for the days (the day after the data end if none) or the points.

    The rows carry the vault's place, so that they can be written as a map layer; and, if asked
    for, the columns of :func:`vaultplan.forecast.soiling.soiling`.

    Raises
    ------
    SettingsError
        If points are given together with days or vaults, or nothing says when the data end.
    SchemaError
        If the points cannot be read, or name an unknown vault or a day before the as-of day.
    """
    if points is not None and (len(days) or vault_ids):
        raise SettingsError("points name their own vaults and days; leave --on and --vault out")
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        frames = read_frames(database, WATER_TABLES, on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    if points is not None:
        asked = _read_points(points)
    else:
        every = frames["vaults"]["vault_id"]
        vaults = _known(vault_ids, every) if vault_ids else list(every)
        asked = week.cross(vaults, days if len(days) else [as_of + pd.Timedelta(days=1)])
    water = week.forecast_points(frames, asked, as_of, settings, on_step)
    if with_solids:
        water = water.join(soiling(water, settings=settings))
    return _placed(water, frames["vaults"])


def trace(
    location: str,
    *,
    vault_ids: Sequence[str] | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return table ``traces`` with the path of every vault, or of those asked for."""
    with open_database(location) as database:
        frames = read_frames(database, [*DRAIN_TABLES, *STREET_TABLES], on_step)
    if vault_ids:
        asked = _known(vault_ids, frames["vaults"]["vault_id"])
        frames["vaults"] = frames["vaults"][frames["vaults"]["vault_id"].isin(asked)]
    return week.trace_paths(frames, settings, on_step, with_geometry=True)


def rank(
    location: str,
    *,
    week_of: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    anew: bool = False,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return table ``rankings``: the open orders in order of worth for a week, with reasons."""
    ahead = week.open_week(location, week_of, as_of, settings, on_step, anew=anew)
    week.judge(ahead, on_step, everywhere=False)
    ahead.kept.wait()
    return _placed(ahead.frames["rankings"], ahead.frames["vaults"])


def plan(
    location: str,
    *,
    out: Path,
    week_of: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    seed: int = 1,
    made_at: pd.Timestamp | None = None,
    anew: bool = False,
    settings: Settings,
    on_step: OnStep = silent,
) -> PlanResult:
    """Plan a week, check the plan, store it and write every output into ``out``.

    What was read and reckoned before is used as far as nothing changed since, unless ``anew``.

    Raises
    ------
    ScheduleError
        If the finished plan breaks a limit; then nothing is stored or written.
    OutputError
        If ``out`` cannot be made or written to, or an output would replace the database.
    """
    check_folder(out)
    if is_same_file(out / LAYERS, location):
        raise OutputError(f"{LAYERS} in {out} is the database; name another folder")
    ahead = week.open_week(location, week_of, as_of, settings, on_step, anew=anew)
    week.judge(ahead, on_step, everywhere=True)
    frames, settings = ahead.frames, ahead.settings
    if anew or not week.take_stored(location, ahead, seed, on_step):
        week.schedule(ahead, seed, made_at or pd.Timestamp.now("UTC"), on_step)
        week.store_checked(location, ahead, on_step)
    plan_id = str(frames["plans"]["plan_id"].iloc[0])
    written = write_outputs(
        frames,
        out,
        settings=settings,
        on_step=on_step,
        anew=anew,
        program=program_version(),
        state=ahead.kept.state,
        on_kept=lambda files: ahead.kept.reused.append(f"{len(files):,} files kept"),
    )
    ahead.kept.wait()
    reused = tuple(ahead.kept.reused)
    return PlanResult(plan_id, ahead.as_of, frames, _lines(frames), written, reused)


def _lines(frames: schema.Frames) -> tuple[str, ...]:
    stops, left = frames["plan_stops"], frames["plan_unserved"]
    served = stops.loc[stops["kind"].isin(["pump_out", "work"]), "order_id"].nunique()
    trucks = stops[["truck_id", "on"]].drop_duplicates()
    outcomes = left["outcome"].value_counts()
    return (
        f"{served:,} orders planned on {len(trucks):,} truck-days, {len(stops):,} stops",
        *(f"{count:,} {str(name).replace('_', ' ')}" for name, count in outcomes.items()),
        *_bookings(frames["plan_jobs"]),
    )


def _bookings(jobs: pd.DataFrame) -> tuple[str, ...]:
    """Return what the choice of vacuum trucks by money comes to, in a line."""
    weighed = jobs.dropna(subset=["break_even_prob", "prob_vacuum"])
    if weighed.empty:
        return ()
    even = weighed["break_even_prob"]
    booked = int((weighed["prob_vacuum"] > even).sum())
    return (
        f"{booked:,} vacuum trucks booked beforehand by money, of {len(weighed):,} jobs that might "
        f"do without; booking pays above a chance of {even.min():.0%} to {even.max():.0%}, half of "
        f"the jobs above {even.median():.0%}",
    )


def verify(
    location: str, plan_id: str | None = None, *, settings: Settings
) -> tuple[str, pd.DataFrame]:
    """Return a stored plan's id (the latest made if none is named) and its broken limits.

    A plan that was edited since it was checked, or that a later one took the place of, is told too.
    """
    tables = ("trucks", "depots", "disposal_sites", "roads", "vaults", "work_orders")
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        # Superseded ones first: a clock that was set back does not tell which was made later.
        plans = read_table(database, "plans").sort_values(
            ["state", "made_at"], ascending=[False, True]
        )
        plans = plans.set_index("plan_id")
        if plans.empty:
            raise ScheduleError(f"{location} holds no plan yet; make one with `vaultplan plan`")
        plan_id = plan_id or str(plans.index[-1])
        if plan_id not in plans.index:
            known = ", ".join(plans.index[-10:])
            raise ScheduleError(f"there is no plan {plan_id!r}; the latest are {known}")
        frames = {name: read_table(database, name) for name in tables}
        for name in week.PLAN_TABLES:
            frames[name] = read_table(database, name, where={"plan_id": plan_id})
    breaches = check_plan(frames, time_zone=settings.time_zone, settings=settings.schedule)
    stored = plans.loc[plan_id]
    if stored["state"] != "checked":
        breaches.append(Breach("state", "", "", 0, f"the plan is marked {stored['state']}"))
    if stored["content_version"] != week.content_version(frames):
        words = "its jobs, stops or orders left out were changed after it was checked"
        breaches.append(Breach("edited", "", "", 0, words))
    rows = [(b.what, b.truck, b.day, b.stop, b.words) for b in breaches]
    return plan_id, pd.DataFrame(rows, columns=["limit", "truck", "day", "stop", "words"])


def write_table(frame: pd.DataFrame, path: Path, *, location: str) -> None:
    """Write a table to a file that is not the database at ``location`` itself."""
    if is_same_file(path, location):
        raise OutputError(f"{path} is the database; name another file for the table")
    try:
        write_file(frame, path)
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written: {error.strerror or error}; name another place"
        ) from error


def demo_folder() -> Path:
    """Return the folder of the invented town's files, beside the package or inside it."""
    for folder in (
        Path(__file__).parent / "demo_data",
        Path(__file__).parents[1] / "data" / "demo",
    ):
        if folder.is_dir():
            return folder
    raise SettingsError("the demo's files are not installed; run from a checkout of the project")


def run_demo(out: Path, *, on_step: OnStep = silent) -> PlanResult:
    """Make a database of the invented town in ``out``, and plan its next week.

    An earlier demo in the same folder is replaced.

    Raises
    ------
    StoreError
        If the folder holds a database that is not an earlier demo; it is left as it was.
    """
    files = demo_folder()
    settings = load_settings(files / "vaultplan.toml")
    check_folder(out)
    out.mkdir(parents=True, exist_ok=True)
    location = out / "vaultplan.gpkg"
    if location.exists():
        with open_database(str(location)) as database:
            if database.name != DEMO_NAME:
                raise StoreError(f"{location} is not a demo; name another folder for the demo")
            forget(database)
    for stale in out.glob("vaultplan.gpkg*"):
        stale.unlink()
    new(str(location), DEMO_CRS, name=DEMO_NAME, time_zone=settings.time_zone)
    load(str(location), "all", files, on_step=on_step)
    result = plan(str(location), out=out, settings=settings, on_step=on_step)
    return replace(result, written=(location, *result.written))


def _known(asked: Sequence[str], vault_ids: pd.Series[str]) -> list[str]:
    unknown = sorted(set(asked) - set(vault_ids))
    if unknown:
        raise SchemaError(f"no such vault: {', '.join(unknown[:10])}")
    return list(dict.fromkeys(asked))


def _read_points(path: Path) -> pd.DataFrame:
    """Return the vaults and days of a CSV, each pair once, in the order of the file."""
    try:
        points = pd.read_csv(path, dtype="str")
    except (OSError, ValueError) as error:
        raise SchemaError(f"{path} cannot be read as a CSV of points: {error}") from error
    if not {"vault_id", "on"} <= set(points.columns):
        raise SchemaError(f"{path} needs the columns vault_id and on; it has {list(points)}")
    on = pd.to_datetime(points["on"].str.strip(), format="%Y-%m-%d", errors="coerce")
    bad = points.index[on.isna() | points["vault_id"].isna()]
    if len(bad):
        rows = ", ".join(str(row + 2) for row in bad[:10])
        raise SchemaError(
            f"{path}: {len(bad)} row(s) without a vault or a day written YYYY-MM-DD: rows {rows}"
        )
    asked = points.assign(vault_id=points["vault_id"].str.strip(), on=on.dt.as_unit("s"))
    return asked[["vault_id", "on"]].drop_duplicates(ignore_index=True)


def _placed(frame: pd.DataFrame, vaults: pd.DataFrame) -> pd.DataFrame:
    """Return a table by vault with each vault's place."""
    places = vaults.set_index("vault_id")["geometry"]
    geometry = gpd.GeoSeries(frame["vault_id"].map(places), crs=places.crs)
    placed: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=geometry)
    return placed
