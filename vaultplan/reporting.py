"""The yearly report: a year's visits counted, reconciled, compared and set on paper."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import week
from vaultplan.analysis.annual.book import COUNTED, year_book
from vaultplan.analysis.annual.changes import changed_lines, changed_visits
from vaultplan.analysis.annual.costs import costs_of_year, prices_of
from vaultplan.analysis.annual.exceptions import (
    exception_counts,
    incidents_of_year,
    overrides_by_visit,
    overrides_of_year,
    samples_of_year,
    with_exceptions,
)
from vaultplan.analysis.annual.lines import drums_of, lines_of
from vaultplan.analysis.annual.reconcile import recounted, recounted_lines, unreconciled
from vaultplan.analysis.annual.rows import check_rows, drill_down, line_keys
from vaultplan.drainage.ends import ends_of, pick
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.drainage.waters import waters_passed
from vaultplan.errors import OutputError, SchemaError
from vaultplan.loading import OnStep, is_same_file, silent
from vaultplan.outputs.annual.facts import AnnualFacts, CostFacts
from vaultplan.outputs.annual.paper import write_annual_pdf
from vaultplan.outputs.annual.workbook import write_annual_xlsx
from vaultplan.outputs.tables import harmless, write_table
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES
from vaultplan.schema import table
from vaultplan.settings import Settings
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_chunks, read_table

_TABLES: Final = tuple(
    dict.fromkeys(
        [
            *(*DRAIN_TABLES, *STREET_TABLES, "inlet_choices", "incidents", "overrides"),
            *("samples", "trucks", "disposal_sites", "locked_periods"),
        ]
    )
)
_VISIT_COLUMNS: Final = (
    *("visit_id", "vault_id", "visited_at", "order_id", "crew", "finding", "grade", "has_sheen"),
    *("has_foam", "was_raining", "volume_gal", "volume_basis", "disposal", "inlet_id"),
    *("socks_used", "pump_minutes"),
)
_ROWS_AT_A_TIME: Final = 250_000


@dataclass(frozen=True, slots=True)
class Reported:
    """A yearly report: its lines and what stands beside them, and the files written.

    ``frames`` holds lines, counted, exceptions, incidents, overrides, samples, changed_visits and
    changed_lines (both empty unless compared).
    """

    facts: AnnualFacts
    frames: dict[str, pd.DataFrame]
    written: tuple[Path, ...]


def report(
    location: str,
    *,
    year: int,
    out: Path,
    before: Path | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Reported:
    """Write the report of a local calendar year into a folder, and return it.

    Parameters
    ----------
    year
        The year, as clocks show it in the database's time zone.
    out
        Folder; made if it is not there. The files in it are named after the year.
    before
        Folder or visits file of an earlier run of the same year, to say what changed since.
    as_of
        Last day whose visits count; the last visit's if none.

    Raises
    ------
    SchemaError
        If the database has no visit in that year.
    OutputError
        If a file cannot be written, ``before`` is no report of that year, or a line is not the sum
        of its visits: then nothing but the visits file is written.

    Notes
    -----
    Nothing of the clock goes into the files: the same database and settings give the same bytes.
    """
    if is_same_file(out, location):
        raise OutputError(f"{out} is the database; name a folder")
    old = None if before is None else _rows_before(before, year)
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        name = database.name
        frames = _read(database, year, as_of, settings, on_step)
    visits = frames["visits"]
    if visits.empty:
        raise SchemaError(f"there is no visit in {year}; load visits, or name another year")
    _follow(frames, settings, on_step)
    on_step("Count the visits")
    book = year_book(frames, year=year, time_zone=settings.time_zone)
    incidents, near = incidents_of_year(
        book, frames, year=year, incident_days=settings.discharge.incident_days
    )
    book = with_exceptions(book, frames, near)
    book["override_ids"] = overrides_by_visit(book, frames["overrides"])
    # As the file has it, so that what is counted and what is read back have the same names.
    rows = drill_down(book).apply(harmless)
    keys = line_keys(rows)
    lines = lines_of(book, keys)
    out.mkdir(parents=True, exist_ok=True)
    on_step("Write the visits")
    listed = out / f"visits_{year}.csv"
    write_table(rows, listed)
    on_step("Add every line up again from the file")
    again = _rows_of(listed)
    wrong = unreconciled(lines, recounted(_records(again)))
    if wrong:
        more = f" and {len(wrong) - 5:,} more" if len(wrong) > 5 else ""
        raise OutputError(f"the report does not add up: {'; '.join(wrong[:5])}{more}")
    changes = _changes(old, again, lines, keys)
    on_step("Reckon costs")
    compared_with = "" if before is None else before.name
    facts = _facts(name, year, book, frames, listed, compared_with, settings)
    told = {
        "lines": lines,
        "counted": _counts(book),
        "exceptions": exception_counts(book),
        "incidents": incidents,
        "overrides": overrides_of_year(book, frames["overrides"], year=year),
        "samples": samples_of_year(frames, book, settings.samples, settings.time_zone),
        "outfalls": pd.DataFrame(frames["outfalls"])[["outfall_id", "name"]],
        **changes,
    }
    written = [listed]
    written.append(out / f"lines_{year}.csv")
    write_table(_in_gallons(lines), written[-1])
    if old is not None:
        for part in ("visits", "lines"):
            written.append(out / f"changed_{part}_{year}.csv")
            write_table(changes[f"changed_{part}"], written[-1])
    on_step("Write the workbook")
    written.append(out / f"report_{year}.xlsx")
    write_annual_xlsx(written[-1], facts, told, again)
    on_step("Write the report")
    written.append(out / f"report_{year}.pdf")
    write_annual_pdf(written[-1], facts, told)
    return Reported(facts, told, tuple(written))


def _rows_before(before: Path, year: int) -> pd.DataFrame:
    path = before / f"visits_{year}.csv" if before.is_dir() else before
    if not path.is_file():
        raise OutputError(f"there is no {path} to compare with; name a report's folder or visits")
    rows = _rows_of(path)
    check_rows(rows, str(path), year)
    return rows


def _rows_of(path: Path) -> pd.DataFrame:
    """Return a visits file as text, blanks as empty text.

    Raises
    ------
    OutputError
        If it is no CSV.
    """
    try:
        return pd.read_csv(path, dtype="str", keep_default_na=False, encoding="utf-8")
    except (ValueError, OSError) as error:
        raise OutputError(f"{path} cannot be read as a visits file: {error}") from error


def _read(
    database: Database,
    year: int,
    as_of: pd.Timestamp | None,
    settings: Settings,
    on_step: OnStep,
) -> dict[str, pd.DataFrame]:
    """Return the tables, with ``visits`` of the year and ``baseline`` of the years compared with.

    Both are of one state of the database; ``known`` has the last day of any visit.
    """
    zone, wanted = settings.time_zone, set(settings.report.baseline_years)
    end = None if as_of is None else (as_of.normalize() + pd.Timedelta(days=1)).tz_localize(zone)
    parts: dict[str, list[pd.DataFrame]] = {"visits": [], "baseline": []}
    last = pd.NaT
    with database.reading() as connection:
        frames = {}
        for done, name in enumerate(_TABLES):
            on_step("Read the database", done, len(_TABLES) + 1)
            frames[name] = read_table(database, name, connection=connection)
        for chunk in read_chunks(
            database,
            "visits",
            rows=_ROWS_AT_A_TIME,
            columns=_VISIT_COLUMNS,
            connection=connection,
        ):
            known = chunk if end is None else chunk[chunk["visited_at"] < end]
            moments = known["visited_at"].dt.tz_convert(zone).dt.tz_localize(None)
            last = max((day for day in (last, moments.max()) if pd.notna(day)), default=pd.NaT)
            parts["visits"].append(known[moments.dt.year.eq(year).to_numpy(bool)])
            parts["baseline"].append(known[moments.dt.year.isin(wanted).to_numpy(bool)])
    on_step("Read the database", len(_TABLES) + 1, len(_TABLES) + 1)
    empty = table("visits").empty()[list(_VISIT_COLUMNS)]
    for name, found in parts.items():
        filled = [part for part in found if len(part)]
        frames[name] = pd.concat(filled, ignore_index=True) if filled else empty
    frames["known"] = pd.DataFrame({"last": [last if as_of is None else as_of]})
    return frames


def _follow(frames: dict[str, pd.DataFrame], settings: Settings, on_step: OnStep) -> None:
    """Add ``inlet_ends`` and the ``traces`` of vaults whose discharges name no inlet."""
    on_step("Follow the discharges to the waters")
    places = [cast(gpd.GeoDataFrame, frames[name]) for name in DRAIN_TABLES[1:4]]
    network = build_network(*places, settings=settings.drainage)
    frames["inlet_ends"] = _inlet_ends(frames, network)
    visits = frames["visits"]
    asks = visits["disposal"].isin(["storm_drain", "filter_sock"]) & visits["inlet_id"].isna()
    asked = frames["vaults"]["vault_id"].isin(visits.loc[asks, "vault_id"])
    some = {**frames, "vaults": frames["vaults"][asked].reset_index(drop=True)}
    frames["traces"] = week.trace_paths(
        some, settings, on_step, with_geometry=False, network=network
    )


def _inlet_ends(frames: dict[str, pd.DataFrame], network: DrainNetwork) -> pd.DataFrame:
    """Return where the water of every inlet ends: outfall_id, water_id, status and is_split."""
    inlets, outfalls = frames["inlets"], frames["outfalls"]
    chains = waters_passed(frames["receiving_waters"])
    ends = ends_of(network, np.arange(len(inlets)), inlets, outfalls, chains)
    ids = outfalls["outfall_id"].to_numpy(dtype=object)
    told = pd.DataFrame(
        {
            "inlet_id": inlets["inlet_id"].to_numpy(dtype=object),
            "outfall_id": pick(ids, ends.outfall, None),
            "water_id": ends.water.to_numpy(dtype=object),
            "status": ends.status,
            "is_split": pick(network.splits, ends.start, 0) > 0,
        }
    )
    names = ["inlet_id", "outfall_id", "water_id", "status"]
    return told.astype(dict.fromkeys(names, "str")).drop_duplicates("inlet_id")


def _records(rows: pd.DataFrame) -> Iterator[Mapping[str, str]]:
    """Yield the rows as mappings, without holding all of them at once."""
    names = list(rows.columns)
    for values in zip(*(rows[name].to_numpy(dtype=object) for name in names), strict=True):
        yield dict(zip(names, values, strict=True))


def _changes(
    old: pd.DataFrame | None, rows: pd.DataFrame, lines: pd.DataFrame, keys: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    if old is None:
        return {"changed_visits": pd.DataFrame(), "changed_lines": pd.DataFrame()}
    visits = changed_visits(old, rows)
    before = recounted_lines(recounted(_records(old)))
    moved = changed_lines(before, lines, visits, line_keys(old), keys)
    return {"changed_visits": visits, "changed_lines": moved}


def _counts(book: pd.DataFrame) -> pd.DataFrame:
    counts = book["counted"].value_counts().reindex(list(COUNTED), fill_value=0)
    return counts.rename_axis("counted").rename("visits").reset_index()


def _costs(
    book: pd.DataFrame, frames: dict[str, pd.DataFrame], settings: Settings
) -> CostFacts | None:
    years = settings.report.baseline_years
    mine = {**frames, "visits": frames["baseline"]}
    base = [_events(year_book(mine, year=year, time_zone=settings.time_zone)) for year in years]
    if not any(map(len, base)):
        return None
    prices = prices_of(frames["trucks"], frames["disposal_sites"], settings.schedule)
    found = costs_of_year(
        _events(book), pd.concat(base), prices, settings.report, settings.schedule
    )
    if found is None:
        return None
    return CostFacts(
        baseline_years=years,
        spent=found.spent,
        before=found.before,
        saved=found.saved,
        is_told_apart=found.is_told_apart,
        shares=found.shares,
        events=found.events,
        left_out=found.left_out,
        without_gallons=found.without_gallons,
        price_source=prices.source,
    )


def _events(book: pd.DataFrame) -> pd.DataFrame:
    """Return week, grade, method and tenths of the pump-outs, a number for each calendar week."""
    events = book.loc[book["counted"].eq("pump-out"), ["on", "grade", "method", "tenths"]]
    days = events["on"].to_numpy().astype("datetime64[D]").astype(np.int64)
    return events.assign(week=days // 7).drop(columns="on").reset_index(drop=True)


def _in_gallons(lines: pd.DataFrame) -> pd.DataFrame:
    """Return the lines with gallons as exact decimals, for a file."""
    told = lines[["breakdown", "key", "events", "unknown_events"]].copy()
    for name in ("tenths", "measured_tenths", "estimated_tenths", "unstated_tenths"):
        whole, rest = lines[name] // 10, lines[name] % 10
        column = name.replace("tenths", "gal") if "_" in name else "gallons"
        told[column] = whole.astype("str") + "." + rest.astype("str")
    return told.assign(socks=lines["socks"], unknown_sock_events=lines["unknown_sock_events"])


def _facts(
    name: str,
    year: int,
    book: pd.DataFrame,
    frames: dict[str, pd.DataFrame],
    listed: Path,
    compared_with: str,
    settings: Settings,
) -> AnnualFacts:
    as_of = pd.Timestamp(frames["known"]["last"].iloc[0]).normalize()
    event = book["counted"].eq("pump-out")
    return AnnualFacts(
        name=name,
        year=year,
        as_of=as_of,
        time_zone=settings.time_zone,
        visits=len(book),
        file_name=listed.name,
        file_hash=_hash(listed),
        drums=drums_of(book, settings.schedule.drum_socks),
        drum_socks=settings.schedule.drum_socks,
        split_events=int(book.loc[event, "is_split"].sum()),
        compared_with=compared_with,
        locked=_locked(frames["locked_periods"], year),
        specialists=settings.discharge.specialists,
        costs=_costs(book, frames, settings),
        settings=settings.report,
        outputs=settings.outputs,
    )


def _locked(periods: pd.DataFrame, year: int) -> tuple[str, ...]:
    """Return the locked periods that touch a year, the first one first, in words."""
    ends = periods["first_on"].dt.year.le(year) & periods["last_on"].dt.year.ge(year)
    return tuple(
        f"{row.first_on:%Y-%m-%d} to {row.last_on:%Y-%m-%d}, by {row.who}: {row.why}"
        for row in periods[ends].sort_values(["first_on", "lock_id"]).itertuples()
    )


def _hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()
