"""Long work: one at a time, the same asked twice is one, failures are told, nothing outlives it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from vaultplan.beside import Tell
from vaultplan.errors import SettingsError
from vaultplan.web.desk import DONE, FAILED, Desk, Task


def write(words: str, folder: Path, *, tell: Tell) -> dict[str, Any]:
    tell(("Write", 1, 2))
    (folder / "told.txt").write_text(words, encoding="utf-8")
    return {"files": ("told.txt",), "words": words}


def fail(_folder: Path, *, tell: Tell) -> None:
    raise SettingsError("the year is no year")


def die(_folder: Path, *, tell: Tell) -> None:
    import os

    os._exit(3)


@pytest.fixture
def desk() -> Iterator[Desk]:
    made = Desk()
    yield made
    made.close()


def ended(task: Task) -> Task:
    for _ in range(600):
        if task.is_over:
            return task
        time.sleep(0.05)
    raise AssertionError("it does not end")


def test_work_is_done_and_its_files_are_there_until_the_desk_is_closed():
    desk, took = Desk(), []
    task = ended(desk.ask("a", "Words", "ito", write, "hello", back="/", then=took.append))
    assert task.state == DONE and took[0]["words"] == "hello"
    path = task.files["told.txt"]
    assert path.read_text(encoding="utf-8") == "hello"
    assert desk.task(task.task_id) is task and desk.latest("a") is task
    desk.close()
    assert not path.exists()


def test_the_same_work_asked_twice_is_one(desk: Desk):
    first = desk.ask("a", "Words", "ito", write, "one", back="/")
    assert desk.ask("a", "Words", "lee", write, "one", back="/") is first
    other = desk.ask("b", "Words", "lee", write, "two", back="/")
    assert other is not first
    assert ended(other).state == DONE and first.is_over
    assert desk.ask("a", "Words", "ito", write, "again", back="/") is not first


@pytest.mark.parametrize(("what", "words"), [(fail, "the year is no year"), (die, "has died")])
def test_what_fails_is_told_and_the_next_is_done(desk: Desk, what: Any, words: str):
    failed = ended(desk.ask("f", "Fails", "ito", what, back="/"))
    assert failed.state == FAILED and words in failed.words
    assert ended(desk.ask("a", "Words", "ito", write, "on", back="/")).state == DONE
