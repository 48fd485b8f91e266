"""Long work that was asked for on the board: one at a time, each in a process of its own."""

from __future__ import annotations

import queue
import shutil
import tempfile
import threading
import uuid
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pandas as pd

from vaultplan.beside import Work, beside
from vaultplan.errors import VaultplanError

#: So many pieces of work are remembered, with what they made.
_REMEMBERED: Final = 40
WAITS, RUNS, DONE, FAILED = "waits", "runs", "done", "failed"


@dataclass(slots=True)
class Task:
    """A piece of work: what it is, how far it has come, and what came of it.

    ``files`` may be fetched by name once it is done.
    """

    task_id: str
    title: str
    who: str
    key: Hashable
    back: str
    state: str = WAITS
    words: str = ""
    result: Any = None
    files: dict[str, Path] = field(default_factory=dict)
    ended_at: pd.Timestamp | None = None

    @property
    def is_over(self) -> bool:
        """Whether nothing more will come of it."""
        return self.state in (DONE, FAILED)


@dataclass(frozen=True, slots=True)
class _Asked:
    task: Task
    function: Callable[..., Any]
    arguments: tuple[object, ...]
    then: Callable[[Any], object] | None


class Desk:
    """Takes work in and does it, one piece after the other, until it is closed."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="vaultplan-board-")
        self._lock = threading.Lock()
        self._tasks: dict[str, Task] = {}
        self._queue: queue.Queue[_Asked | None] = queue.Queue()
        self._work: Work | None = None
        self._is_closed = False
        self._thread: threading.Thread | None = None

    def ask(
        self,
        key: Hashable,
        title: str,
        who: str,
        function: Callable[..., Any],
        *arguments: object,
        back: str,
        then: Callable[[Any], object] | None = None,
    ) -> Task:
        """Return the work asked for; where the same waits or runs already, that one.

        Parameters
        ----------
        key
            What it is done of: the same key is the same work.
        function
            As for :func:`vaultplan.beside.beside`; its last argument is a folder of its own. If it
            returns a mapping, ``files`` in it names files in that folder.
        back
            Address of the page it was asked on.
        then
            Called with what it returned, in this process.
        """
        with self._lock:
            for task in self._tasks.values():
                if task.key == key and not task.is_over:
                    return task
            task = Task(uuid.uuid4().hex, title, who, key, back)
            self._tasks[task.task_id] = task
            over = [old for old in self._tasks.values() if old.is_over]
            for old in over[: max(0, len(self._tasks) - _REMEMBERED)]:
                del self._tasks[old.task_id]
                shutil.rmtree(Path(self._folder.name) / old.task_id, ignore_errors=True)
            if self._thread is None:
                self._thread = threading.Thread(target=self._serve, daemon=True)
                self._thread.start()
        self._queue.put(_Asked(task, function, arguments, then))
        return task

    def task(self, task_id: str) -> Task | None:
        """Return a piece of work by its id."""
        return self._tasks.get(task_id)

    def latest(self, key: Hashable) -> Task | None:
        """Return the work last asked for by that key."""
        with self._lock:
            found = [task for task in self._tasks.values() if task.key == key]
        return found[-1] if found else None

    def close(self) -> None:
        """End what runs, and forget what was made."""
        self._is_closed = True
        self._queue.put(None)
        work = self._work
        if work is not None:
            work.stop()
        if self._thread is not None:
            self._thread.join(timeout=20)
        self._folder.cleanup()

    def _serve(self) -> None:
        while (asked := self._queue.get()) is not None and not self._is_closed:
            self._do(asked)

    def _do(self, asked: _Asked) -> None:
        task = asked.task
        folder = Path(self._folder.name) / task.task_id
        folder.mkdir()
        task.state = RUNS

        def told(word: object) -> None:
            task.words = _in_words(word)

        try:
            with beside(asked.function, *asked.arguments, folder, on_told=told) as work:
                self._work = work
                task.result = work.result()
            if isinstance(task.result, dict):
                task.files = {name: folder / name for name in task.result.get("files", ())}
            if asked.then is not None:
                asked.then(task.result)
            task.state = DONE
        except VaultplanError as error:
            task.words, task.state = str(error), FAILED
        except Exception as error:
            # A fault of the program must not end the desk; whoever asked is told what it was.
            task.words, task.state = f"the program failed: {error!r}", FAILED
        finally:
            self._work = None
            task.ended_at = pd.Timestamp.now("UTC")


def _in_words(word: object) -> str:
    """Return how far something is: a step, or a step with what is done of how much."""
    if isinstance(word, tuple) and len(word) == 3 and word[2]:
        return f"{word[0]} ({word[1]:,} of {word[2]:,})"
    if isinstance(word, tuple) and len(word) == 2:
        return f"{word[0]}: {round(100 * float(word[1]))} %"
    return str(word[0] if isinstance(word, tuple) else word)
