"""The whole walk on one page: the only room that joins the store and the science.

load -> forecast -> trace -> decide -> rank -> schedule -> check -> publish
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd

from vaultplan import schema
from vaultplan.discharge.facts import decide_discharges
from vaultplan.discharge.rules import Rules, load_rules
from vaultplan.discharge.sensitivity import grade_waters
from vaultplan.drainage.trace import trace_vaults
from vaultplan.errors import OutputError, ScheduleError, SchemaError, SettingsError, StoreError
from vaultplan.forecast.forecasts import forecast_vaults
from vaultplan.loading import OnStep, is_same_file, load, new, read_frames, silent
from vaultplan.outputs.layers import write_layers
from vaultplan.outputs.maps import write_map
from vaultplan.outputs.sheets import write_sheets
from vaultplan.outputs.summary import write_summary
from vaultplan.outputs.tables import write_plan_csv
from vaultplan.outputs.tables import write_table as write_file
from vaultplan.outputs.workbook import write_plan_xlsx
from vaultplan.ranking.value import rank_orders
from vaultplan.schedule.checker import check_plan
from vaultplan.schedule.jobs import build_jobs
from vaultplan.schedule.lines import route_lines
from vaultplan.schedule.week import solve_week
from vaultplan.settings import Settings, load_settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import replace_plan

CAUTION: Final = (
    "Not an entry permit, not an authorisation to discharge, not a waste determination. The grade "
    "seen in the field supersedes the plan; local codes, the current permit and licensed people "
    "decide."
)

DEMO_CRS: Final = "EPSG:32606"
DEMO_NAME: Final = "Saltmarrow (invented)"
_WATER_TABLES: Final = ("vaults", "visits", "gauges", "rainfall", "rain_outlook")
_DRAIN_TABLES: Final = ("vaults", "inlets", "drain_pipes", "outfalls", "receiving_waters")
_RULE_TABLES: Final = ("sensitive_areas", "concern_sites", "overrides")
_WEEK_TABLES: Final = ("work_orders", "trucks", "depots", "disposal_sites", "roads", "backdrop")
_SCHEDULE_TABLES: Final = (
    *("rankings", "decisions", "forecasts", "work_orders", "vaults"),
    *("trucks", "depots", "disposal_sites", "roads"),
)
_PLAN_TABLES: Final = ("plans", "plan_jobs", "plan_stops", "plan_unserved")


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A published plan: its id, its tables, the lines that sum it up, the files written."""

    plan_id: str
    as_of: pd.Timestamp
    frames: schema.Frames
    lines: tuple[str, ...]
    written: tuple[Path, ...]


def forecast(
    location: str,
    *,
    days: Sequence[pd.Timestamp] = (),
    points: Path | None = None,
    vault_ids: Sequence[str] | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return table ``forecasts`` for the days (the day after the data end if none) or the points.

    The rows carry the vault's place, so that they can be written as a map layer.

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
        settings = _in_zone(settings, database.time_zone)
        frames = read_frames(database, _WATER_TABLES, on_step)
    as_of = as_of or _data_end(frames, settings.time_zone)
    if points is not None:
        asked = _read_points(points)
    else:
        every = frames["vaults"]["vault_id"]
        vaults = _known(vault_ids, every) if vault_ids else list(every)
        asked = _cross(vaults, days if len(days) else [as_of + pd.Timedelta(days=1)])
    water = _forecast(frames, asked, as_of, settings, on_step)
    return _placed(water, frames["vaults"])


def _forecast(
    frames: schema.Frames,
    points: pd.DataFrame,
    as_of: pd.Timestamp,
    settings: Settings,
    on_step: OnStep,
) -> pd.DataFrame:
    step = f"Forecast water and grade ({len(points):,} vault-days)"
    on_step(step)
    water: pd.DataFrame = forecast_vaults(
        frames,
        points,
        as_of=as_of,
        settings=settings,
        on_progress=lambda done, total: on_step(step, done, total),
    )
    return water


def trace(
    location: str,
    *,
    vault_ids: Sequence[str] | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return table ``traces`` with the path of every vault, or of those asked for."""
    with open_database(location) as database:
        frames = read_frames(database, _DRAIN_TABLES, on_step)
    if vault_ids:
        asked = _known(vault_ids, frames["vaults"]["vault_id"])
        frames["vaults"] = frames["vaults"][frames["vaults"]["vault_id"].isin(asked)]
    return _trace(frames, settings, on_step, with_geometry=True)


def _trace(
    frames: schema.Frames,
    settings: Settings,
    on_step: OnStep,
    *,
    with_geometry: Sequence[str] | bool,
) -> pd.DataFrame:
    on_step("Trace drains to the sea")
    traces: pd.DataFrame = trace_vaults(
        *(frames[name] for name in _DRAIN_TABLES),
        settings=settings.drainage,
        with_geometry=with_geometry,
    )
    return traces


def rank(
    location: str,
    *,
    week_of: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return table ``rankings``: the open orders in order of worth for a week, with reasons."""
    week = _open_week(location, week_of, as_of, settings, on_step)
    _rank(week, on_step, everywhere=False)
    return _placed(week.frames["rankings"], week.frames["vaults"])


@dataclass(frozen=True, slots=True)
class _Week:
    """A week on its way to a plan: every step adds its table to ``frames``."""

    monday: pd.Timestamp
    days: tuple[pd.Timestamp, ...]
    as_of: pd.Timestamp
    settings: Settings
    rules: Rules
    frames: dict[str, pd.DataFrame]


def _open_week(
    location: str,
    week_of: pd.Timestamp | None,
    as_of: pd.Timestamp | None,
    settings: Settings,
    on_step: OnStep,
) -> _Week:
    """Read the database and choose the days; the week after the data end if none is asked for."""
    names = [*_WATER_TABLES, *_DRAIN_TABLES, *_RULE_TABLES, *_WEEK_TABLES]
    with open_database(location) as database:
        settings = _in_zone(settings, database.time_zone)
        frames = read_frames(database, names, on_step)
    if week_of is None or as_of is None:
        end = _data_end(frames, settings.time_zone)
        week_of = week_of or end + pd.Timedelta(days=7)
        as_of = as_of or min(end, _monday(week_of) - pd.Timedelta(days=1))
    monday = _monday(week_of)
    if as_of >= monday + pd.Timedelta(days=7):
        raise SettingsError(f"--as-of {as_of:%Y-%m-%d} is after the week of {monday:%Y-%m-%d}")
    worked = set(";".join(frames["trucks"]["days"].dropna()).split(";"))
    days = tuple(
        monday + pd.Timedelta(days=number)
        for number, name in enumerate(schema.WEEKDAYS)
        if name in worked and monday + pd.Timedelta(days=number) > as_of
    )
    if not days:
        raise ScheduleError(
            f"no truck works in the week of {monday:%Y-%m-%d} after {as_of:%Y-%m-%d}; "
            "load trucks with their days, or choose another week"
        )
    rules = load_rules(settings.discharge.rules_file)
    frames["visits"] = _known_visits(frames["visits"], as_of, settings.time_zone)
    return _Week(monday, days, as_of, settings, rules, frames)


def _rank(week: _Week, on_step: OnStep, *, everywhere: bool) -> None:
    """Add forecasts, traces, sensitivities, decisions and rankings.

    Vaults with open orders are forecast for every day; with ``everywhere`` all others for the
    first day too, for the map.
    """
    frames, settings = week.frames, week.settings
    orders = frames["work_orders"]
    open_orders = orders[orders["status"].isna() | orders["status"].eq("open")]
    wanted = frames["vaults"]["vault_id"].isin(open_orders["vault_id"])
    ordered = frames["vaults"].loc[wanted, "vault_id"]
    first_day = _cross(frames["vaults"]["vault_id"] if everywhere else ordered, week.days[:1])
    points = pd.concat([first_day, _cross(ordered, week.days[1:])], ignore_index=True)
    frames["forecasts"] = _forecast(frames, points, week.as_of, settings, on_step)
    frames["traces"] = _trace(frames, settings, on_step, with_geometry=list(ordered))
    on_step("Apply the discharge rules")
    frames["sensitivities"] = grade_waters(
        *(frames[name] for name in ("receiving_waters", "sensitive_areas", "outfalls")),
        as_of=week.as_of,
        settings=settings.discharge,
    )
    asked = frames["forecasts"]["vault_id"].isin(ordered)
    ruled = {**frames, "forecasts": frames["forecasts"][asked]}
    frames["decisions"] = decide_discharges(
        ruled, as_of=week.as_of, settings=settings, rules=week.rules
    )
    on_step("Rank the orders")
    frames["rankings"] = rank_orders(
        orders,
        ruled["forecasts"],
        frames["decisions"],
        as_of=week.as_of,
        settings=settings.ranking,
    )


def plan(
    location: str,
    *,
    out: Path,
    week_of: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    seed: int = 1,
    made_at: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> PlanResult:
    """Plan a week, check the plan, store it and write every output into ``out``.

    Raises
    ------
    ScheduleError
        If the finished plan breaks a limit; then nothing is stored or written.
    OutputError
        If ``out`` cannot be made or written to, or an output would replace the database.
    """
    _check_folder(out)
    if is_same_file(out / "layers.gpkg", location):
        raise OutputError(f"layers.gpkg in {out} is the database; name another folder")
    week = _open_week(location, week_of, as_of, settings, on_step)
    _rank(week, on_step, everywhere=True)
    plan_id = _plan_id(week, seed)
    _schedule(week, plan_id, seed, made_at or pd.Timestamp.now("UTC"), on_step)
    on_step("Check the plan")
    breaches = check_plan(
        week.frames, time_zone=week.settings.time_zone, settings=week.settings.schedule
    )
    if breaches:
        words = "\n".join(f"  {breach}" for breach in breaches[:20])
        raise ScheduleError(f"the plan breaks {len(breaches)} limit(s); not published:\n{words}")
    on_step("Store the plan")
    with open_database(location) as database, database.writing() as connection:
        replace_plan(connection, plan_id, {name: week.frames[name] for name in _PLAN_TABLES})
    written = _publish(week, out, on_step)
    return PlanResult(plan_id, week.as_of, week.frames, _lines(week.frames), written)


def _plan_id(week: _Week, seed: int) -> str:
    """Return the week's Monday and a hash of all that the schedule hangs on."""
    digest = hashlib.sha256(f"{week.as_of}{seed}{week.settings.version}".encode())
    digest.update(week.rules.version.encode())
    for name in _SCHEDULE_TABLES:
        frame = week.frames[name]
        plain = pd.DataFrame(frame)
        if isinstance(frame, gpd.GeoDataFrame):
            plain = plain.assign(geometry=frame.geometry.to_wkb(hex=True).astype("str"))
        digest.update(pd.util.hash_pandas_object(plain, index=False).to_numpy().tobytes())
    return f"{week.monday:%Y-%m-%d}-{digest.hexdigest()[:8]}"


def _schedule(week: _Week, plan_id: str, seed: int, made_at: pd.Timestamp, on_step: OnStep) -> None:
    """Add plans, plan_jobs, plan_stops, plan_unserved and routes."""
    frames, settings = week.frames, week.settings
    monday = week.monday.date()
    on_step("Choose the week's jobs")
    frames["plan_jobs"], left = build_jobs(
        frames, monday, plan_id=plan_id, settings=settings.schedule
    )
    step = f"Schedule {len(frames['plan_jobs']):,} jobs"
    on_step(step, 0, 100)
    frames["plan_stops"], unserved = solve_week(
        frames,
        monday,
        plan_id=plan_id,
        time_zone=settings.time_zone,
        settings=settings.schedule,
        seed=seed,
        on_progress=lambda _stage, done: on_step(step, round(100 * done), 100),
    )
    frames["plan_unserved"] = pd.concat([left, unserved], ignore_index=True)
    on_step("Draw the routes")
    frames["routes"] = route_lines(
        *(frames[name] for name in ("plan_stops", "trucks", "depots", "roads")),
        settings=settings.schedule,
    )
    facts = {
        "plan_id": plan_id,
        "week_of": week.monday,
        "as_of_on": week.as_of,
        "made_at": made_at,
        "seed": seed,
        "rules_version": week.rules.version,
        "settings_version": settings.version,
        "state": "checked",
    }
    frames["plans"] = schema.table("plans").conform(pd.DataFrame([facts]))


def _check_folder(out: Path) -> None:
    """Refuse a folder that cannot be made or written to, before the work is done."""
    there = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
    if not there.is_dir():
        raise OutputError(f"{there} is a file, not a folder for outputs; name another one")
    if not os.access(there, os.W_OK):
        raise OutputError(f"outputs cannot be written to {there}; name another folder")


def _publish(week: _Week, out: Path, on_step: OnStep) -> tuple[Path, ...]:
    """Write every output of a checked plan into ``out``."""
    frames, settings = week.frames, week.settings
    zone = settings.time_zone
    out.mkdir(parents=True, exist_ok=True)
    named: dict[str, Callable[[Path], object]] = {
        "summary.md": lambda path: write_summary(frames, path, settings=settings),
        "plan.csv": lambda path: write_plan_csv(frames, path, time_zone=zone),
        "plan.xlsx": lambda path: write_plan_xlsx(frames, path, time_zone=zone),
        "layers.gpkg": lambda path: write_layers(frames, path, time_zone=zone),
        "map.html": lambda path: write_map(frames, path, settings=settings),
        "data_dictionary.md": lambda path: path.write_text(
            schema.data_dictionary(), encoding="utf-8"
        ),
    }
    for number, (name, write) in enumerate(named.items()):
        on_step("Write tables, layers and map", number, len(named))
        write(out / name)
    on_step("Write tables, layers and map", len(named), len(named))
    step = "Write route sheets"
    sheets = write_sheets(
        frames,
        out,
        settings=settings,
        on_progress=lambda done, total: on_step(step, done, total),
    )
    return (*(out / name for name in named), *sheets)


def _lines(frames: schema.Frames) -> tuple[str, ...]:
    stops, left = frames["plan_stops"], frames["plan_unserved"]
    served = stops.loc[stops["kind"].isin(["pump_out", "work"]), "order_id"].nunique()
    trucks = stops[["truck_id", "on"]].drop_duplicates()
    outcomes = left["outcome"].value_counts()
    return (
        f"{served:,} orders planned on {len(trucks):,} truck-days, {len(stops):,} stops",
        *(f"{count:,} {str(name).replace('_', ' ')}" for name, count in outcomes.items()),
    )


def verify(
    location: str, plan_id: str | None = None, *, settings: Settings
) -> tuple[str, pd.DataFrame]:
    """Return a stored plan's id (the latest made if none is named) and its broken limits."""
    tables = ("trucks", "depots", "disposal_sites", "roads", "vaults", "work_orders")
    with open_database(location) as database:
        settings = _in_zone(settings, database.time_zone)
        plans = read_table(database, "plans").sort_values("made_at")
        if plans.empty:
            raise ScheduleError(f"{location} holds no plan yet; make one with `vaultplan plan`")
        plan_id = plan_id or str(plans["plan_id"].iloc[-1])
        if plan_id not in set(plans["plan_id"]):
            known = ", ".join(plans["plan_id"].tail(10))
            raise ScheduleError(f"there is no plan {plan_id!r}; the latest are {known}")
        frames = {name: read_table(database, name) for name in tables}
        for name in _PLAN_TABLES:
            frames[name] = read_table(database, name, where={"plan_id": plan_id})
    breaches = check_plan(frames, time_zone=settings.time_zone, settings=settings.schedule)
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
    _check_folder(out)
    out.mkdir(parents=True, exist_ok=True)
    location = out / "vaultplan.gpkg"
    if location.exists():
        with open_database(str(location)) as database:
            if database.name != DEMO_NAME:
                raise StoreError(f"{location} is not a demo; name another folder for the demo")
    for stale in out.glob("vaultplan.gpkg*"):
        stale.unlink()
    new(str(location), DEMO_CRS, name=DEMO_NAME, time_zone=settings.time_zone)
    load(str(location), "all", files, on_step=on_step)
    result = plan(str(location), out=out, settings=settings, on_step=on_step)
    return replace(result, written=(location, *result.written))


def _in_zone(settings: Settings, time_zone: str) -> Settings:
    """Return the settings with the database's time zone, which is the one that counts."""
    if settings.time_zone not in ("UTC", time_zone):
        raise SettingsError(
            f"the settings say time zone {settings.time_zone}, the database {time_zone}; "
            "take it out of the settings"
        )
    return settings.model_copy(update={"time_zone": time_zone})


def _data_end(frames: schema.Frames, time_zone: str) -> pd.Timestamp:
    """Return the last local day that rain, an outlook or a visit is known of."""
    moments = [frames["rain_outlook"]["issued_at"].max(), frames["visits"]["visited_at"].max()]
    ends = [end.tz_convert(time_zone).tz_localize(None) for end in moments if pd.notna(end)]
    rained = frames["rainfall"]["fell_on"].max()
    known = [end.normalize() for end in (*ends, rained) if pd.notna(end)]
    if not known:
        raise SettingsError("no rain and no visits are loaded: say --as-of and the day or week")
    return pd.Timestamp(max(known)).as_unit("s")


def _known_visits(visits: pd.DataFrame, as_of: pd.Timestamp, time_zone: str) -> pd.DataFrame:
    """Return the visits up to the end of the as-of day, so that no output shows a later one."""
    end = (as_of.normalize() + pd.Timedelta(days=1)).tz_localize(time_zone)
    known = visits["visited_at"] < end
    return visits if known.all() else visits[known].reset_index(drop=True)


def _monday(day: pd.Timestamp) -> pd.Timestamp:
    return day.normalize() - pd.Timedelta(days=day.weekday())


def _cross(vault_ids: Iterable[str], days: Sequence[pd.Timestamp]) -> pd.DataFrame:
    vaults = pd.DataFrame({"vault_id": list(vault_ids)})
    on = pd.DataFrame({"on": pd.Series(list(days), dtype="datetime64[s]")})
    return vaults.merge(on, how="cross")


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
