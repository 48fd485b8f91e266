"""From files to tables: new databases, loads, and what is wrong with what was loaded."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Final, Protocol

import pandas as pd
import sqlalchemy as sa

from vaultplan import schema
from vaultplan.errors import SchemaError
from vaultplan.intake.files.readers import count_rows
from vaultplan.intake.load import TableIntake, open_intake, preview
from vaultplan.intake.outcome import Intake
from vaultplan.intake.recipes.column_map import ColumnMap, load_column_map
from vaultplan.intake.recipes.guess import Guess, guess_map
from vaultplan.intake.rules import asked_for
from vaultplan.intake.words import word_list
from vaultplan.ledger import Ledger, table_rows
from vaultplan.settings import Settings
from vaultplan.sources import Source, sources_of
from vaultplan.sources import is_same_file as is_same_file
from vaultplan.store.bulk import filling
from vaultplan.store.database import Database, create_database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import Counts, insert, upsert
from vaultplan.surroundings import Surroundings

#: Columns of visits that the walk needs; the others stay in the store.
_VISIT_COLUMNS: Final = (
    "visit_id",
    "vault_id",
    "visited_at",
    "finding",
    "depth_in",
    "left_depth_in",
    "grade",
    "has_sheen",
    "odor",
    "color",
    "has_foam",
    "ph",
    "disposal",
    "volume_gal",
    "inlet_id",
    "was_raining",
    "crew",
)
#: What became of a file's rows; the first four always add up.
OUTCOME: Final = (
    *("load_id", "table", "file", "rows_in", "loaded", "repaired", "quarantined"),
    *("blank", "new", "changed", "same"),
)


class OnStep(Protocol):
    """Told which step runs and, where the step knows, how much of it is done."""

    def __call__(self, step: str, done: int | None = None, total: int | None = None) -> None:
        """Take note of the step."""


def silent(step: str, done: int | None = None, total: int | None = None) -> None:
    """Tell nobody."""


def new(location: str, crs: str, *, name: str = "", time_zone: str = "UTC") -> str:
    """Make an empty database; return one line that says where and in which CRS and foot."""
    with create_database(location, crs, name=name, time_zone=time_zone) as database:
        return f"{location}: empty database in {database.crs.name} ({crs}), times in {time_zone}"


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a file is read: a map that was given, found beside the file, or guessed.

    ``path`` is where it was found or is to be written; ``guess`` holds the reasons, if any.
    ``unused`` are columns of the file that a recipe found or given does not read.
    """

    column_map: ColumnMap
    path: Path | None = None
    guess: Guess | None = None
    unused: tuple[str, ...] = ()

    @property
    def is_new(self) -> bool:
        """Whether it was guessed and says more than the file's own names do."""
        return self.guess is not None and not self.guess.is_plain


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a load did: ``outcome`` a row per table (``OUTCOME``), ``findings`` a row per rule.

    ``recipes`` leads from table to the recipe it was read by, ``written`` holds recipes written.
    """

    outcome: pd.DataFrame
    findings: pd.DataFrame
    recipes: dict[str, Recipe] = field(default_factory=dict)
    written: tuple[Path, ...] = ()


def load(
    location: str,
    table: str,
    file: Path,
    *,
    column_map: Path | None = None,
    layer: str | None = None,
    apply: Collection[str] = (),
    is_strict: bool = False,
    now: pd.Timestamp | None = None,
    prepare: Callable[[TableIntake], None] | None = None,
    settings: Settings | None = None,
    on_step: OnStep = silent,
) -> Loaded:
    """Load one table, or with ``table="all"`` every table a folder has, in one transaction.

    Parameters
    ----------
    column_map
        Recipe to read the file by. Without one, the recipe beside the file is used, or else one
        is guessed, and written beside the file when the load is done.
    apply
        Rules whose repairs are made, or ``all``.
    is_strict
        Refuse everything for any error, instead of setting faulty rows aside.
    now
        Moment after which nothing can have happened yet, in local time if it names no zone; the
        clock's if not given.
    prepare
        Called with each file on its way in, before its rows are looked at.

    Raises
    ------
    SettingsError
        If there is nothing to load, two files of a folder hold the same table, or the file is the
        database itself.
    BadRowsError
        If a file as a whole cannot be meant for its table, or has errors and ``is_strict``.
    SchemaError
        If more rows would be set aside than the settings allow.
    """
    settings = settings or Settings()
    rules = asked_for(apply)
    wanted = sources_of(table, file, location)
    given = load_column_map(column_map) if column_map else None
    with open_database(location) as database:
        around = Surroundings(database, now, settings.intake)
        around.read_for([source.table for source in wanted], on_step)
        recipes = {
            source.table: find_recipe(database, source, given, layer, around) for source in wanted
        }
        outcomes, found = [], []
        with database.writing() as connection:
            ledger = Ledger(connection, pd.Timestamp.now("UTC"))
            for source in wanted:
                recipe = recipes[source.table]
                job = _job(database, source, recipe, around, rules, settings)
                if prepare is not None:
                    prepare(job)
                with _telling_recipe(recipe):
                    outcome = _load_one(
                        database, connection, ledger, job, around, is_strict, on_step
                    )
                outcomes.append(outcome)
                found.append(job.book.summary().assign(table=source.table))
    written = tuple(path for recipe in recipes.values() if (path := _written(recipe)) is not None)
    return Loaded(
        pd.DataFrame(outcomes, columns=list(OUTCOME)),
        pd.concat(found, ignore_index=True),
        recipes,
        written,
    )


def _job(
    database: Database,
    source: Source,
    recipe: Recipe,
    around: Surroundings,
    rules: frozenset[str],
    settings: Settings,
) -> TableIntake:
    return open_intake(
        source.table,
        source.path,
        crs=database.crs,
        time_zone=database.time_zone,
        column_map=recipe.column_map,
        around=around.of(source.table),
        apply=rules,
        words=word_list(settings.intake.words_file),
    )


def find_recipe(
    database: Database,
    source: Source,
    given: ColumnMap | None,
    layer: str | None,
    around: Surroundings,
) -> Recipe:
    """Return the recipe a file is read by: the one given, the one beside it, or a guess."""
    chosen = layer or source.layer
    own: ColumnMap | None = given
    beside = source.path.with_name(f"{source.path.name}.{source.table}.toml")
    declared = schema.table(source.table)
    if own is None and beside.is_file():
        own = load_column_map(beside, declared)
    if own is not None:
        used = own.model_copy(update={"layer": chosen}) if chosen else own
        unused = preview(source.table, source.path, column_map=used).unused
        return Recipe(used, beside if given is None else None, unused=unused)
    guess = guess_map(
        declared,
        source.path,
        crs=database.crs,
        stated=ColumnMap(layer=chosen) if chosen else None,
        near=around.box,
    )
    zoned = _with_zone(guess, database.time_zone)
    return Recipe(zoned.column_map, beside, zoned)


def _with_zone(guess: Guess, zone: str) -> Guess:
    """Return the guess with times that name no zone read as local time of the database."""
    if all(line.column != "time_zone" for line in guess.lines):
        return guess
    why = f"its times name no zone; they are read as local time of the database, {zone}"
    lines = tuple(
        replace(line, why=why) if line.column == "time_zone" else line for line in guess.lines
    )
    zoned = guess.column_map.model_copy(update={"time_zone": zone})
    return replace(guess, column_map=zoned, lines=lines, is_plain=False)


def _written(recipe: Recipe) -> Path | None:
    """Write a guessed recipe beside its file; return where, or nothing if that may not be."""
    if recipe.path is None or not recipe.is_new:
        return None
    try:
        recipe.path.write_text(recipe.column_map.to_toml(), encoding="utf-8")
    except OSError:
        return None
    return recipe.path


@contextmanager
def _telling_recipe(recipe: Recipe) -> Iterator[None]:
    """Write a guessed recipe down although the file is refused: it may be what has to be mended."""
    try:
        yield
    except SchemaError as error:
        path = _written(recipe)
        if path is not None:
            told = f"\nIt was read by a guessed recipe, written to {path}: correct it there"
            error.args = (f"{error}{told}",)
        raise


def _load_one(
    database: Database,
    connection: sa.Connection,
    ledger: Ledger,
    job: TableIntake,
    around: Surroundings,
    is_strict: bool,
    on_step: OnStep,
) -> tuple[object, ...]:
    name = job.declared.name
    total = count_rows(job.path, layer=job.layer)
    _look_through(job, total, on_step)
    step = f"Load {name}"
    on_step(step, 0, total)
    entry = ledger.begin(job)
    counts, done = Counts(), 0

    def store(part: Intake) -> None:
        nonlocal counts
        replaced = table_rows(database, connection, name, part.set_aside)
        if is_first:
            counts += insert(connection, name, part.frame)
        else:
            counts += upsert(connection, name, part.frame, only=job.told)
        for column, at in part.beyond.items():
            upsert(connection, name, part.frame.iloc[at], only={column})
        entry.take(database, part, replaced)

    with filling(connection, name) as is_first, _one_at_a_time(database) as do:
        for part in job.chunks():
            do(partial(store, part))
            around.take(name, part.frame)
            done += part.size
            on_step(step, done, max(done, total))
    if is_strict:
        job.book.raise_if_any(str(job.path), name)
    _refuse_mostly_bad(job, entry.rows_in, entry.quarantined)
    load_id = entry.finish(counts)
    return (
        load_id,
        name,
        job.path.name,
        entry.rows_in,
        entry.loaded,
        entry.repaired,
        entry.quarantined,
        entry.blank,
        counts.new,
        counts.changed,
        counts.same,
    )


@contextmanager
def _one_at_a_time(database: Database) -> Iterator[Callable[[Callable[[], None]], None]]:
    """Yield what does pieces of work on the database in turn; all are done when the block ends.

    A server takes rows in while the next ones are read and judged here. A file is written at once:
    SQLite's connection belongs to one thread, and both would want the same processor.
    """
    if database.is_embedded:
        yield lambda work: work()
        return
    with ThreadPoolExecutor(1) as aside:
        begun: list[Future[None]] = []

        def do(work: Callable[[], None]) -> None:
            if begun:
                begun.pop().result()
            begun.append(aside.submit(work))

        yield do
        for last in begun:
            last.result()


def _look_through(job: TableIntake, total: int, on_step: OnStep) -> None:
    step, seen = f"Look through {job.declared.name}", 0

    def on_progress(rows: int) -> None:
        nonlocal seen
        seen += rows
        on_step(step, seen, max(seen, total))

    job.look_through(on_progress)


def _refuse_mostly_bad(job: TableIntake, rows_in: int, quarantined: int) -> None:
    most = job.around.settings.max_quarantine_frac
    if rows_in == 0 or quarantined <= most * rows_in:
        return
    worst = job.book.summary().query("severity == 'error'").head(5)
    told = [
        f"  {int(line['rows']) - int(line['repaired']):,} rows: {line['meaning']} ({line['rule']}"
        + (f", column {line['column']}" if line["column"] else "")
        + ")"
        + (f"; for {line['mendable']:,} there is a repair" if line["mendable"] else "")
        for line in worst.to_dict("records")
    ]
    first = [f"  {fault}" for fault in job.book.faults()[:5]]
    raise SchemaError(
        f"{job.path} was not loaded into {job.declared.name}: {quarantined:,} of its {rows_in:,} "
        f"rows would be quarantined, more than {most:.0%}; nothing was written\n"
        + "\n".join([*told, "The first of them:", *first])
        + "\nMend the recipe or the file, ask for a repair with --apply, or allow more with "
        "--max-quarantine 1"
    )


def read_frames(
    database: Database, names: Sequence[str], on_step: OnStep, *, whole: bool = False
) -> dict[str, pd.DataFrame]:
    """Return tables by name; of visits only the columns that the walk needs, unless ``whole``."""
    frames: dict[str, pd.DataFrame] = {}
    for number, name in enumerate(dict.fromkeys(names)):
        on_step("Read the database", number, len(names))
        columns = None if whole else columns_to_read(name)
        frames[name] = read_table(database, name, columns=columns)
    on_step("Read the database", len(names), len(names))
    return frames


def columns_to_read(name: str) -> tuple[str, ...] | None:
    """Return the columns of a table that the walk needs; ``None`` if all of them."""
    return _VISIT_COLUMNS if name == "visits" else None
