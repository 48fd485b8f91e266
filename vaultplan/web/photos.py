"""Pictures taken on visits: made small, without where they were taken, kept beside the database."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import Final

import pandas as pd
from PIL import Image, ImageOps, UnidentifiedImageError

from vaultplan.errors import SchemaError
from vaultplan.schema import table
from vaultplan.store.database import Database
from vaultplan.store.find import few_rows
from vaultplan.store.read import count_rows
from vaultplan.store.write import upsert
from vaultplan.web.history import note

#: Longest side of a kept picture, and the largest that is opened at all.
LONGEST_PX, MOST_PX = 2_000, 60_000_000
_FORMATS: Final = ("JPEG", "PNG", "WEBP")
_QUALITY: Final = 85
MOST_OF_VISIT: Final = 12


def keep_photo(database: Database, folder: Path, visit_id: str, sent: bytes, who: str) -> str:
    """Keep a picture of a visit and return its id; the same sent again is the same picture.

    Raises
    ------
    SchemaError
        If there is no such visit, it has enough pictures, or what was sent is no picture.
    """
    photo_id = hashlib.sha256(visit_id.encode() + b"\0" + sent).hexdigest()[:32]
    if count_rows(database, "photos", {"photo_id": photo_id}):
        return photo_id
    if not count_rows(database, "visits", {"visit_id": visit_id}):
        raise SchemaError(f"there is no visit {visit_id}")
    if count_rows(database, "photos", {"visit_id": visit_id}) >= MOST_OF_VISIT:
        raise SchemaError(f"a visit has {MOST_OF_VISIT} pictures at the most")
    path = folder / f"{photo_id}.jpg"
    folder.mkdir(mode=0o700, exist_ok=True)
    part = path.with_suffix(".part")
    part.write_bytes(_small(sent))
    part.replace(path)
    row = {
        "photo_id": photo_id, "visit_id": visit_id, "file": path.name, "who": who,
        "sent_at": pd.Timestamp.now("UTC"),
    }  # fmt: skip
    with database.writing() as connection:
        upsert(connection, "photos", table("photos").conform(pd.DataFrame([row])))
        note(
            connection, f"board-{photo_id}", who, "photos", photo_id, after="came in", why=visit_id
        )
    return photo_id


def _small(sent: bytes) -> bytes:
    """Return a picture as JPEG, upright, no larger than is kept, and with nothing told besides."""
    try:
        with Image.open(io.BytesIO(sent), formats=_FORMATS) as opened:
            if opened.width * opened.height > MOST_PX:
                raise SchemaError("the picture is too large; send a smaller one")
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as error:
        raise SchemaError("that is no JPEG, PNG or WebP picture") from error
    upright.thumbnail((LONGEST_PX, LONGEST_PX))
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    kept = io.BytesIO()
    plain.save(kept, "JPEG", quality=_QUALITY)
    return kept.getvalue()


def photo_file(database: Database, folder: Path, photo_id: str) -> Path | None:
    """Return the file of a picture; none if there is no such picture, or its file is gone."""
    rows = few_rows(database, "photos", {"photo_id": photo_id}, columns=["file"], most=1)
    if not rows:
        return None
    path = folder / Path(str(rows[0]["file"])).name
    return path if path.is_file() else None
