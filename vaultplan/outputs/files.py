"""Files that are either whole or not there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

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
