"""One readable thing in a zip file, unpacked into a folder that is gone afterwards."""

from __future__ import annotations

import re
import tempfile
import unicodedata
import zipfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from vaultplan.errors import SchemaError, SettingsError, VaultplanError
from vaultplan.intake.files.unpacking import Unpacker, is_link_or_device, open_zip

_ARCHIVES = (".zip", ".7z", ".rar", ".tar", ".tgz", ".gz", ".bz2", ".xz", ".zst", ".kmz")
_DRIVE = re.compile(r"[A-Za-z]:")
#: Endings by which a file is read only if nothing else in the archive can be.
_LAST_RESORT = (".txt", ".json")


@dataclass(frozen=True, slots=True)
class Thing:
    """A file of an archive that can be read, with the parts that belong to it.

    ``name`` is what it is called among the others: without folder and ending if that is enough.
    """

    entry: str
    name: str
    parts: tuple[str, ...]


def things(archive: Path, endings: Collection[str]) -> tuple[Thing, ...]:
    """Return what an archive holds that can be read, by its ending; refuse a harmful archive.

    Raises
    ------
    SchemaError
        If the archive is broken, locked, too large, or has entries that would land elsewhere.
    """
    with open_zip(archive) as unpacker:
        return _things(_safe_names(unpacker), endings)


def choose(archive: Path, found: tuple[Thing, ...], name: str | None) -> tuple[Thing, str | None]:
    """Return the thing to read and the layer in it, from what the user calls both.

    Where there are several things, ``name`` is one of theirs, or ``thing/layer``.
    """
    if not found:
        raise SchemaError(f"{archive} holds no file that can be read; zip the file itself")
    if len(found) == 1:
        return found[0], name
    listed = ", ".join(thing.name for thing in found)
    if name is None:
        raise SettingsError(f"{archive} has {len(found)} files; name one of: {listed}")
    for thing in found:
        for called in (thing.entry, thing.name):
            if name == called:
                return thing, None
            if name.startswith(f"{called}/"):
                return thing, name.removeprefix(f"{called}/")
    raise SettingsError(f"{archive} has no file {name!r}; it has {listed}")


@contextmanager
def unpacked(archive: Path, thing: Thing) -> Iterator[Path]:
    """Unpack a thing into a new folder, which is removed at the end; messages name the archive."""
    with tempfile.TemporaryDirectory(prefix="vaultplan-") as folder:
        path = Path(folder, thing.entry)
        try:
            with open_zip(archive) as unpacker:
                _safe_names(unpacker)
                _write(unpacker, thing, Path(folder))
            yield path
        except VaultplanError as error:
            told = str(error).replace(str(path), f"{archive}, {thing.entry}")
            kind = SettingsError if isinstance(error, SettingsError) else SchemaError
            raise kind(told.replace(folder, str(archive))) from error


def _write(unpacker: Unpacker, thing: Thing, folder: Path) -> None:
    wanted = set(thing.parts)
    for entry in unpacker.entries:
        if entry.filename not in wanted:
            continue
        target = folder / entry.filename
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("xb") as file:
            for block in unpacker.blocks(entry):
                file.write(block)


def _things(names: list[str], endings: Collection[str]) -> tuple[Thing, ...]:
    parts: dict[str, list[str]] = {}
    for name in names:
        if (entry := _readable(name, endings)) is not None:
            parts.setdefault(entry, [])
    for name in names:
        for entry in parts:
            if _belongs(name, entry):
                parts[entry].append(name)
    first_choice = [entry for entry in parts if _ending(entry) not in _LAST_RESORT]
    kept = first_choice or list(parts)
    stems = [PurePosixPath(entry).stem for entry in kept]
    return tuple(
        Thing(entry, stem if stems.count(stem) == 1 else entry, tuple(parts[entry]))
        for entry, stem in zip(kept, stems, strict=True)
    )


def _belongs(name: str, entry: str) -> bool:
    """Return whether a file is the readable thing itself or one of its parts."""
    if name == entry or name.startswith((f"{entry}/", f"{entry}-")):
        return True
    stem = entry[: -len(PurePosixPath(entry).suffix)].lower()
    return _ending(entry) == ".shp" and name.lower().startswith(f"{stem}.")


def _readable(name: str, endings: Collection[str]) -> str | None:
    """Return the readable thing that an entry is or, in a geodatabase's folder, belongs to."""
    path = PurePosixPath(name)
    if any(part == "__MACOSX" or part.startswith(".") for part in path.parts):
        return None
    for folder in reversed(path.parents):
        if _ending(folder.name) == ".gdb":
            return str(folder)
    return name if _ending(name) in endings and _ending(name) != ".gdb" else None


def _ending(name: str) -> str:
    return PurePosixPath(name).suffix.lower()


def _safe_names(unpacker: Unpacker) -> list[str]:
    """Return the names of the files in an archive; refuse any that could land elsewhere."""
    seen: set[str] = set()
    files = []
    for entry in unpacker.entries:
        why = _why_unsafe(entry)
        name = unicodedata.normalize("NFC", entry.filename).casefold().rstrip("/")
        if why is None and name in seen:
            why = "is in it twice"
        if why is not None:
            raise SchemaError(
                f"{unpacker.path}: the entry {entry.orig_filename!r} {why}; zip the file anew"
            )
        seen.add(name)
        if not entry.is_dir():
            files.append(entry.filename)
    held = set(files)
    for name in files:
        above = PurePosixPath(name).parents
        if any(str(folder) in held for folder in above):
            raise SchemaError(
                f"{unpacker.path}: the entry {name!r} lies in a file; zip the file anew"
            )
    return files


def _why_unsafe(entry: zipfile.ZipInfo) -> str | None:
    name = entry.orig_filename
    parts = name.removesuffix("/").split("/")
    if "\\" in name or any(ord(sign) < 32 for sign in name):
        return "has a backslash or a sign in its name that names do not have"
    if name.startswith("/") or _DRIVE.match(name):
        return "names a place outside the archive"
    if any(part in ("", ".", "..") for part in parts):
        return "has a name that leads out of its folder"
    if is_link_or_device(entry):
        return "is a link and no file"
    if not entry.is_dir() and _ending(name) in _ARCHIVES:
        return "is an archive in the archive; unpack it first"
    return None
