"""Files of a week that were written before from the very same data, and need not be again."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vaultplan import schema
from vaultplan.outputs.files import whole_file
from vaultplan.settings import Settings

#: What a folder of outputs was written from, beside the outputs.
_NOTE: Final = ".written.json"


def digest_of(frames: schema.Frames, settings: Settings, program: str) -> str:
    """Return a hash of all that files about the week's own vaults can tell.

    ``frames`` hold no other vaults; the settings count too, and ``program``, a hash of the code.
    """
    digest = hashlib.sha256(f"{program} {settings.model_dump_json()}".encode())
    for name in sorted(frames):
        frame = frames[name]
        digest.update(f"{name} {len(frame)} {list(frame.columns)}".encode())
        plain = pd.DataFrame(frame)
        if isinstance(frame, gpd.GeoDataFrame):
            for shape in shapely.to_wkb(np.asarray(frame.geometry.array, dtype=object)):
                digest.update(shape or b"-")
            plain = plain.drop(columns=frame.geometry.name)
        if len(plain.columns):
            digest.update(pd.util.hash_pandas_object(plain, index=False).to_numpy().tobytes())
    return digest.hexdigest()


def plan_marks(frames: schema.Frames) -> list[str]:
    """Return what tells one plan from another at a glance."""
    plan = frames["plans"].iloc[0]
    return [str(plan[name]) for name in ("plan_id", "content_version", "made_at")]


def still_there(out: Path, marks: list[str]) -> dict[str, Any] | None:
    """Return what was noted of a folder, if it was written from this plan and is as it was left."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        note: dict[str, Any] = json.loads((out / _NOTE).read_text(encoding="utf-8"))
        if note["marks"] == marks and note["files"] == _about(out, note["files"]):
            return note
    return None


def fleet_files(out: Path, note: dict[str, Any], state: str) -> list[Path]:
    """Return the files about the whole fleet, if they are of this state and as they were left."""
    with contextlib.suppress(OSError, KeyError, TypeError):
        if state and note["state"] == state and note["fleet"] == _about(out, note["fleet"]):
            return [out / name for name in note["fleet"]]
    return []


def note_written(
    out: Path,
    marks: list[str],
    digest: str,
    files: Iterable[Path],
    fleet: Iterable[Path],
    state: str,
) -> None:
    """Note beside the outputs what they were written from, and how they were left.

    ``files`` tell of the week's own vaults, ``fleet`` of all; ``state`` is the database's.
    """
    own, others = (
        _about(out, [path.relative_to(out).as_posix() for path in paths])
        for paths in (files, fleet)
    )
    note = {"marks": marks, "digest": digest, "files": own, "fleet": others, "state": state}
    with whole_file(out / _NOTE) as unfinished:
        unfinished.write_text(json.dumps(note), encoding="utf-8")


def _about(out: Path, names: Iterable[str]) -> dict[str, list[int]]:
    found = {}
    for name in names:
        about = (out / name).stat()
        found[name] = [about.st_size, about.st_mtime_ns]
    return found
