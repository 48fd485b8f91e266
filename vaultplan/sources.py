"""Which files and layers are loaded into which tables, and in what order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from vaultplan import schema
from vaultplan.errors import SettingsError
from vaultplan.intake.files.readers import ARCHIVES, SINGLE, layers_of


@dataclass(frozen=True, slots=True)
class Source:
    """A file, or a layer of it, and the table it is for."""

    table: str
    path: Path
    layer: str | None = None


def sources_of(table: str, file: Path, location: str) -> list[Source]:
    """Return table, file and layer of each thing to load, referred-to tables first."""
    if table != "all":
        if is_same_file(file, location):
            raise SettingsError(f"{file} is the database itself; name the file to load into it")
        if table not in schema.LOADABLE:
            choices = ", ".join(schema.LOADABLE)
            raise SettingsError(f"{table!r} is not loaded from files; choose one of {choices}")
        return [Source(table, file)]
    if not file.is_dir():
        raise SettingsError(f"{file} is not a folder; 'load all' takes a folder of files")
    found: dict[str, list[Source]] = {}
    for source in _named_files(file, location):
        found.setdefault(source.table, []).append(source)
    held = {name: found[name] for name in load_order() if name in found}
    if not held:
        raise SettingsError(f"{file} holds no file or layer named as a table")
    twice = [
        f"{name} in {' and '.join(place.path.name for place in places)}"
        for name, places in held.items()
        if len(places) > 1
    ]
    if twice:
        raise SettingsError(
            f"{file} holds tables more than once: {'; '.join(twice)}; "
            "keep one of each there, or load them one by one"
        )
    return [places[0] for places in held.values()]


def _named_files(folder: Path, location: str) -> Iterator[Source]:
    """Yield files and layers of a folder that are named as a table."""
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() not in SINGLE + ARCHIVES or is_same_file(path, location):
            continue
        layers = layers_of(path)
        named = [layer for layer in layers if layer in schema.LOADABLE]
        if path.stem in schema.LOADABLE and not named:
            yield Source(path.stem, path)
        for layer in named:
            yield Source(layer, path, layer)


def is_same_file(path: Path, location: str) -> bool:
    """Return whether a path is the embedded database's own file."""
    database = Path(location)
    return path.exists() and database.exists() and path.samefile(database)


def load_order() -> list[str]:
    """Return the loadable tables with every table after those it refers to."""
    order: list[str] = []

    def place(name: str) -> None:
        if name in order:
            return
        for column in schema.table(name).columns:
            target = column.refers_to.split(".")[0]
            if target and target != name:
                place(target)
        order.append(name)

    for name in schema.LOADABLE:
        place(name)
    return order
