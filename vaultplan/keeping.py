"""What was read and reckoned the last time, kept so that only what changed is done anew.

In a folder of this user, one per database, lie the tables as they were read and the results of the
stages, all of one moment of the database. The next run asks the database which rows changed since,
brings the tables up to date by those, and hands each stage what it found last time together with
the rows that changed. Nothing here is needed: without the folder everything is done anew.
"""

from __future__ import annotations

import bisect
import contextlib
import hashlib
import json
import os
import pickle
import re
import shutil
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyproj

from vaultplan import schema
from vaultplan.store import touched
from vaultplan.store.database import Database
from vaultplan.store.read import read_table

#: Names another folder to keep things in; ``none`` keeps nothing.
ENVIRONMENT: Final = "VAULTPLAN_KEEP"
#: Databases that were not opened for so long are forgotten, driving times too (``.npy``), and files
#: left over by runs that died.
_FORGET_DAYS, _LEFT_OVER_DAYS = 60.0, 1.0
#: Of a table with more changed rows than this share all is read anew.
_MOST_CHANGED: Final = 0.05
_HEAD: Final = "head.json"
#: A database's id, which names its folder.
_NAME: Final = re.compile("[0-9a-f]{32}")
_SPOILED: Final = (
    *(OSError, EOFError, ValueError, KeyError, TypeError, AttributeError, ImportError),
    *(pa.ArrowInvalid, pickle.UnpicklingError),
)


@dataclass(frozen=True, slots=True)
class Change:
    """Rows of a table that came, changed or went: as they were, and as they are now."""

    before: pd.DataFrame
    after: pd.DataFrame

    def values(self, column: str) -> list[str]:
        """Return what stands in a column of these rows, before or now, each once."""
        return sorted({*self.before[column].dropna(), *self.after[column].dropna()})


@dataclass(slots=True)
class Kept:
    """Tables as they are now, what changed in them, and what each stage found the last time.

    ``changes`` has a :class:`Change` for a table with changed rows, and ``None`` where all of it
    may have changed or nothing was kept; a table that is as it was is not in it. ``reused`` tells
    in words what did not have to be done anew.
    """

    folder: Path | None = None
    moment: touched.Moment = touched.BEGINNING
    frames: dict[str, pd.DataFrame] = field(default_factory=dict)
    changes: dict[str, Change | None] = field(default_factory=dict)
    reused: list[str] = field(default_factory=list)
    _files: dict[str, str] = field(default_factory=dict)
    _results: dict[str, tuple[str, object]] = field(default_factory=dict)
    _asked: set[str] = field(default_factory=set)
    _lasting: set[str] = field(default_factory=set)
    _saved: set[str] = field(default_factory=set)
    _writer: threading.Thread | None = None

    @property
    def state(self) -> str:
        """Name the state of the database that the tables are of; blank where nobody notes it."""
        return "" if self.folder is None else f"{self.folder.name} {self.moment}"

    def changed(self, names: Sequence[str]) -> dict[str, Change | None]:
        """Return the changes of some tables."""
        return {name: self.changes[name] for name in names if name in self.changes}

    def result(self, stage: str, version: str) -> Any:
        """Return what a stage kept the last time under the same version; ``None`` if nothing.

        Who asks brings it up to date by ``changes``, and keeps it again if it became another.
        """
        self._asked.add(stage)
        if self.folder is None or not self.has(stage):
            return None
        with contextlib.suppress(*_SPOILED), (self.folder / self._files[stage]).open("rb") as file:
            # Only files of this user in a folder that nobody else may write to are read.
            if pickle.load(file) == version:  # noqa: S301
                return pickle.load(file)  # noqa: S301
        return None

    def has(self, stage: str) -> bool:
        """Return whether a stage kept anything the last time."""
        return self.folder is not None and stage in self._files

    def keep(self, stage: str, version: str, result: object, *, lasts: bool = False) -> None:
        """Keep a stage's result for the next run.

        One that ``lasts`` hangs on nothing but what its version tells; any other is lost where a
        run in which tables changed does not ask for it.
        """
        self._results[stage] = (version, result)
        if lasts:
            self._lasting.add(stage)

    def write(self) -> None:
        """Begin to write what is to be kept, aside; :meth:`wait` for it before the end."""
        self.wait()
        if self.folder is not None and (self.changes or self._results):
            self._writer = threading.Thread(target=self._write, args=(self.folder,))
            self._writer.start()

    def wait(self) -> None:
        """Wait until all is written."""
        if self._writer is not None:
            self._writer.join()
            self._writer = None

    def _write(self, folder: Path) -> None:
        """Write new files, then the head that names them: a run that dies leaves the old ones."""
        # A full disk is no fault of the run that could have done without.
        with contextlib.suppress(OSError):
            if self.changes:
                # Nobody brought up to date what no stage of this run asked for.
                known = set(self.frames) | self._asked | self._lasting
                self._files = {name: self._files[name] for name in set(self._files) & known}
            for name in (set(self.changes) & set(schema.LOADABLE)) - self._saved:
                self._files[name] = _saved(folder, name, _arrow_writer(self.frames[name]))
                self._saved.add(name)
            while self._results:
                name, (version, result) = self._results.popitem()
                self._files[name] = _saved(folder, name, _pickle_writer(version, result))
            superseded = set(_read_head(folder).get("files", {}).values())
            head = {
                "program": program_version(),
                "moment": asdict(self.moment),
                "files": self._files,
                "lasting": sorted(self._lasting),
            }
            text = json.dumps(head).encode()
            unfinished = folder / _saved(folder, "head", lambda path: path.write_bytes(text))
            unfinished.replace(folder / _HEAD)
            _clear(folder, {_HEAD, *self._files.values()}, superseded)


def _clear(folder: Path, used: set[str], superseded: set[str]) -> None:
    """Remove what another run's files took the place of, and what runs that died left over.

    Who has such a file open goes on reading it; who is about to open it reads anew.
    """
    for path in folder.iterdir():
        days = _FORGET_DAYS if path.suffix == ".npy" else _LEFT_OVER_DAYS
        if path.name not in used and (path.name in superseded or _days_since(path) > days):
            path.unlink(missing_ok=True)


def read_kept(
    database: Database,
    wanted: Mapping[str, Sequence[str] | None],
    *,
    anew: bool = False,
    on_table: Callable[[int], None] = lambda _done: None,
) -> Kept:
    """Return tables as they are now, read as far as they changed since they were read last.

    Parameters
    ----------
    wanted
        Columns of each table to read; ``None`` for all.
    anew
        Use nothing that was kept.
    on_table
        Called with the number of tables read.
    """
    folder = keep_folder(database)
    head = {} if anew or folder is None else _read_head(folder)
    with database.reading() as connection:
        now = touched.moment(connection)
        kept = Kept(folder, now)
        changed: Mapping[str, list[str]] | None = None
        if head:
            before = touched.Moment(**head["moment"])
            changed = touched.changed_since(connection, before, list(wanted))
        if changed is not None:
            kept._files.update(head["files"])
            kept._lasting.update(head["lasting"])
        for number, (name, columns) in enumerate(wanted.items()):
            on_table(number)
            read = partial(read_table, database, name, columns=columns, connection=connection)
            held = _held(kept, name, columns) if changed is not None else None
            keys = [""] if changed is None else changed.get(name, [])
            if held is None or keys == [""] or len(keys) > _MOST_CHANGED * len(held):
                kept.frames[name], kept.changes[name] = read(), None
            elif keys:
                start = schema.table(name).key[0]
                after = read(where={start: keys})
                joined, gone = _spliced(held, start, keys, _to_arrow(after))
                kept.frames[name] = _to_frame(joined, database.crs)
                kept.changes[name] = Change(_to_frame(gone, database.crs), after)
            else:
                kept.frames[name] = _to_frame(held, database.crs)
    _tell(kept)
    return kept


def _tell(kept: Kept) -> None:
    rows = sum(len(frame) for frame in kept.frames.values())
    anew = 0
    for name, change in kept.changes.items():
        anew += len(kept.frames[name] if change is None else change.after)
    if rows > anew:
        kept.reused.append(f"{rows - anew:,} of {rows:,} rows of the tables kept")


def keep_folder(database: Database) -> Path | None:
    """Return the folder to keep things of a database in; ``None`` if nothing is to be kept.

    It lies among this user's caches, or where the environment variable ``VAULTPLAN_KEEP`` says, and
    nobody else may open it: it tells where vaults are. Folders of databases that were not opened
    for two months are removed.
    """
    asked = os.environ.get(ENVIRONMENT, "")
    if asked == "none" or not database.database_id:
        return None
    root = Path(asked) if asked else _cache_root() / "vaultplan"
    folder = root / database.database_id
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        about = folder.stat()
        if hasattr(os, "getuid") and (about.st_uid != os.getuid() or about.st_mode & 0o077):
            return None
        os.utime(folder)
        for other in root.iterdir():
            # Nothing but folders of ours: the name may be that of a folder with much else in it.
            is_ours = _NAME.fullmatch(other.name) is not None and (other / _HEAD).is_file()
            if is_ours and _days_since(other) > _FORGET_DAYS:
                shutil.rmtree(other, ignore_errors=True)
    except OSError:
        return None
    return folder


def forget(database: Database) -> None:
    """Remove what is kept of a database."""
    folder = keep_folder(database)
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)


@cache
def program_version() -> str:
    """Return a hash of the program's own source: what other code reckoned is not used."""
    digest = hashlib.sha256(sys.version.encode())
    for path in sorted(Path(__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _cache_root() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


def _days_since(path: Path) -> float:
    try:
        return (time.time() - path.stat().st_mtime) / 86_400.0
    except OSError:
        return 0.0


def _read_head(folder: Path) -> dict[str, Any]:
    with contextlib.suppress(*_SPOILED):
        head: dict[str, Any] = json.loads((folder / _HEAD).read_text(encoding="utf-8"))
        if head["program"] == program_version():
            return head
    return {}


def _held(kept: Kept, name: str, columns: Sequence[str] | None) -> pa.Table | None:
    """Return a table as it was read last, if it was, and whole."""
    wanted = list(columns or schema.table(name).column_names)
    if kept.folder is None or name not in kept._files:
        return None
    with contextlib.suppress(*_SPOILED):
        with pa.memory_map(str(kept.folder / kept._files[name])) as file:
            held: pa.Table = pa.ipc.open_file(file).read_all()
        return held if sorted(held.column_names) == sorted(wanted) else None
    return None


def _to_arrow(frame: pd.DataFrame) -> pa.Table:
    plain = pd.DataFrame(frame)
    if isinstance(frame, gpd.GeoDataFrame):
        plain = plain.assign(geometry=frame.geometry.to_wkb())
    return pa.Table.from_pandas(plain, preserve_index=False)


def _to_frame(table: pa.Table, crs: pyproj.CRS) -> pd.DataFrame:
    frame: pd.DataFrame = table.to_pandas(split_blocks=True)
    if "geometry" not in frame:
        return frame
    shapes = gpd.GeoSeries.from_wkb(frame["geometry"], crs=crs)
    placed: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=shapes)
    return placed


def _spliced(
    held: pa.Table, start: str, keys: Sequence[str], fresh: pa.Table
) -> tuple[pa.Table, pa.Table]:
    """Return a table with the rows of some keys replaced, in order, and the rows taken out.

    Tables are ordered by their key, which begins with ``start``.
    """
    fresh = fresh.select(held.column_names).cast(held.schema)
    old, new = _Column(held[start]), _Column(fresh[start])
    pieces, gone, at = [], [held.slice(0, 0)], 0
    for key in sorted(keys):
        low, high = bisect.bisect_left(old, key), bisect.bisect_right(old, key)
        first, last = bisect.bisect_left(new, key), bisect.bisect_right(new, key)
        pieces += [held.slice(at, low - at), fresh.slice(first, last - first)]
        gone.append(held.slice(low, high - low))
        at = high
    return pa.concat_tables([*pieces, held.slice(at)]), pa.concat_tables(gone)


class _Column(Sequence[str]):
    """A column to search in without turning all of it into strings."""

    def __init__(self, column: pa.ChunkedArray) -> None:
        self._column = column.combine_chunks()

    def __len__(self) -> int:
        return len(self._column)

    def __getitem__(self, at: Any) -> Any:
        return self._column[at].as_py()


def _saved(folder: Path, name: str, write: Callable[[Path], object]) -> str:
    """Write a file of a new name; return the name."""
    path = folder / f"{name}-{uuid4().hex[:12]}"
    try:
        path.touch(mode=0o600, exist_ok=False)
        write(path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return path.name


def _arrow_writer(frame: pd.DataFrame) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        table = _to_arrow(frame)
        options = pa.ipc.IpcWriteOptions(compression="lz4")
        with (
            pa.OSFile(str(path), "wb") as file,
            pa.ipc.new_file(file, table.schema, options=options) as writer,
        ):
            writer.write_table(table)

    return write


def _pickle_writer(version: str, result: object) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        with path.open("wb") as file:
            pickle.dump(version, file)
            pickle.dump(result, file, protocol=5)

    return write
