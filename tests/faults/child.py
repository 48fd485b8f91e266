"""A process with everything imported that forks a trial whenever asked, so that none waits for it.

Told in lines of JSON what to do; tells in lines of JSON how far a trial has come. A trial runs one
step of the program as its own process, which may be killed at any moment. With ``hold`` the work
before the interesting part is done once, and as many trials as asked begin from there.
"""

from __future__ import annotations

import json
import os
import random
import sys
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import sqlalchemy as sa

from vaultplan import loading, pipeline
from vaultplan.settings import load_settings
from vaultplan.store import connect, upkeep
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table

NOW = pd.Timestamp("2026-10-30T20:00Z")
#: Few pages in memory, so that the others reach the disk long before a transaction ends.
SMALL_CACHE_KIB = 40


def say(**words: Any) -> None:
    os.write(1, (json.dumps(words) + "\n").encode())


def mark(name: str) -> None:
    say(mark=name, at=time.monotonic())


def hear() -> dict[str, Any]:
    """Read one line, byte by byte: nothing may wait in a buffer that a fork would copy."""
    line = b""
    while not line.endswith(b"\n"):
        byte = os.read(0, 1)
        if not byte:
            os._exit(0)
        line += byte
    heard: dict[str, Any] = json.loads(line)
    return heard


def settings() -> Any:
    read = load_settings(pipeline.demo_folder() / "vaultplan.toml")
    return read.model_copy(update={"schedule": read.schedule.model_copy(update={"iterations": 25})})


def tell_of_writing() -> None:
    """Let every writing transaction tell when it begins, is about to be kept, and is."""
    writing = Database.writing

    @contextmanager
    def told(self: Database, *area: Any, **more: Any) -> Iterator[sa.Connection]:
        with writing(self, *area, **more) as connection:
            mark("writing")
            yield connection
            mark("keeping")
        mark("kept")

    Database.writing = told  # type: ignore[method-assign]
    transaction = upkeep.transaction

    @contextmanager
    def told_too(*engine: Any, **more: Any) -> Iterator[sa.Connection]:
        with transaction(*engine, **more) as connection:
            mark("writing")
            yield connection
            mark("keeping")
        mark("kept")

    upkeep.transaction = told_too  # type: ignore[attr-defined]


def load(job: dict[str, Any], _hold: Any) -> None:
    loading.load(job["location"], "all", Path(job["files"]), now=NOW)


def forecast(job: dict[str, Any], hold: Any) -> None:
    days = list(pd.date_range("2026-10-31", periods=14, unit="s"))
    water = pipeline.forecast(job["location"], days=days, settings=settings())
    # A file that takes a while, so that moments fall into it.
    water = pd.concat([water] * 30, ignore_index=True)
    hold()
    mark("writing")
    pipeline.write_table(water, Path(job["out"]) / "water.csv", location=job["location"])
    mark("kept")


def plan(job: dict[str, Any], hold: Any) -> None:
    def on_step(step: str, done: int | None = None, total: int | None = None) -> None:
        if step == "Store the plan":
            hold()
        if step.startswith("Write") and not done:
            mark("outputs")
            if job.get("stores_only"):
                os._exit(0)

    out, made_at = Path(job["out"]), pd.Timestamp(job.get("made_at", NOW))
    seed = job.get("seed", 1)
    pipeline.plan(
        job["location"],
        out=out,
        seed=seed,
        made_at=made_at,
        settings=settings(),
        on_step=on_step,
    )


def upgrade(job: dict[str, Any], _hold: Any) -> None:
    upkeep.upgrade(job["location"], busy_seconds=20)


def read(job: dict[str, Any], _hold: Any) -> None:
    """Look at a database from many processes, again and again, until a file is there."""
    # Opened and looked at once before, so that a hundred need not find their words each.
    database, readers = open_database(job["location"]), []
    _seen(database)
    database.engine.dispose()
    for number in range(job["readers"]):
        if not (child := os.fork()):
            _look(database, job, number)
            os._exit(0)
        readers.append(child)
    ends = [os.waitpid(child, 0)[1] for child in readers]
    if any(ends):
        raise RuntimeError(f"{sum(map(bool, ends))} readers failed")


def _look(database: Database, job: dict[str, Any], number: int) -> None:
    draw, told = random.Random(number), Path(job["out"]) / f"{number}.jsonl"
    while True:
        is_last = Path(job["until"]).exists()
        seen = _seen(database)
        with told.open("a") as file:
            file.write(json.dumps(seen) + "\n")
        if is_last:
            return
        time.sleep(2 * draw.random())


def _seen(database: Database) -> list[int]:
    with database.reading() as connection:
        counts = [
            len(read_table(database, name, columns=[key], connection=connection))
            for name, key in (("visits", "visit_id"), ("loads", "load_id"))
        ]
        vaults = read_table(database, "vaults", columns=["address"], connection=connection)
    return [len(vaults), *counts, int(vaults["address"].str.endswith("(said anew)").sum())]


JOBS = {"load": load, "forecast": forecast, "plan": plan, "upgrade": upgrade, "read": read}


def trials() -> None:
    """Fork a trial whenever asked; return within each, never in the process that forks them."""
    say(held=True)
    while hear().get("go"):
        child = os.fork()
        if child == 0:
            say(pid=os.getpid())
            mark("start")
            return
        say(ended=os.waitpid(child, 0)[1])
    os._exit(0)


def run(job: dict[str, Any]) -> None:
    try:
        if job.get("user") is not None:
            os.setuid(job["user"])
        if job.get("cache", True):
            connect._CACHE_KIB = SMALL_CACHE_KIB  # type: ignore[misc]
        tell_of_writing()
        say(pid=os.getpid())
        mark("start")
        JOBS[job["do"]](job, trials if job.get("hold") else lambda: None)
        mark("done")
    except BaseException as error:
        said = "".join(traceback.format_exception(error)) if job.get("trace") else ""
        say(error=str(error), kind=type(error).__name__, trace=said)
        os._exit(1)
    os._exit(0)


def main() -> None:
    say(ready=True)
    while True:
        job = hear()
        child = os.fork()
        if child == 0:
            run(job)
        say(ended=os.waitpid(child, 0)[1])


if __name__ == "__main__":
    sys.exit(main())
