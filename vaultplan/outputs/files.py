"""Files that are either whole or not there."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from vaultplan.errors import OutputError


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield a name to write to beside ``path``; it becomes ``path`` when all went well.

    Raises
    ------
    OutputError
        If the folder does not exist or the file cannot be put in place.
    """
    if not path.parent.is_dir():
        raise OutputError(f"there is no folder {path.parent}; make it, then write {path.name}")
    part = path.with_name(f".{path.stem}.part{path.suffix}")
    part.unlink(missing_ok=True)
    try:
        yield part
        try:
            part.replace(path)
        except OSError as error:
            raise OutputError(f"{path} cannot be replaced ({error}); close it and retry") from error
    finally:
        part.unlink(missing_ok=True)


def truck_day_names(days: Iterable[tuple[Any, Any]], suffix: str) -> list[str]:
    """Return a file name for each day and truck that every file system takes.

    Names are in small letters; equal ones get a number.

    >>> truck_day_names([(date(2026, 3, 2), "C 1"), (date(2026, 3, 2), "c-1")], ".pdf")
    ['2026-03-02_c-1.pdf', '2026-03-02_c-1-2.pdf']
    """
    names: list[str] = []
    for day, truck in days:
        plain = unicodedata.normalize("NFKD", str(truck)).encode("ascii", "ignore").decode()
        stem = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60] or "truck"
        name, number = f"{day:%Y-%m-%d}_{stem}{suffix}", 1
        while name in names:
            number += 1
            name = f"{day:%Y-%m-%d}_{stem}-{number}{suffix}"
        names.append(name)
    return names


def remove_stale(folder: Path, monday: date, suffix: str, written: Iterable[Path]) -> None:
    """Remove files of a week's trucks and days that its plan no longer has.

    So nobody prints or follows them; files of other weeks and of other names stay.
    """
    days = {f"{monday + timedelta(days=ahead):%Y-%m-%d}" for ahead in range(7)}
    kept = set(written)
    for path in folder.glob(f"????-??-??_*{suffix}"):
        if path.name[:10] in days and path not in kept:
            path.unlink()
