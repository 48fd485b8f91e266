"""Work in another process: answers, words on the way, errors and deaths come back."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from vaultplan.beside import MOST, beside, processes
from vaultplan.errors import ProcessError, SchemaError

MODULE = """
import os
import signal
import time

import numpy as np

from vaultplan.errors import SchemaError


def doubled(values, tell):
    print("a library speaks")
    for value in values:
        tell(float(value))
    return values * 2


def fails(tell):
    raise SchemaError("no such column")


def dies(tell):
    os.kill(os.getpid(), signal.SIGKILL)


def sleeps(tell):
    time.sleep(600)
"""


@pytest.fixture
def work(tmp_path, monkeypatch):
    """A module that the other process finds too."""
    (tmp_path / "work_beside.py").write_text(MODULE, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
    sys.modules.pop("work_beside", None)
    import work_beside

    return work_beside


def test_the_result_comes_back_and_words_on_the_way(work):
    told = []
    with beside(work.doubled, np.arange(3.0), on_told=told.append) as there:
        found = there.result()
    assert found.tolist() == [0.0, 2.0, 4.0] and told == [0.0, 1.0, 2.0]


def test_much_is_handed_over_while_this_process_goes_on(work):
    """More than a pipe holds, both ways, and nobody waits for the other."""
    many = np.arange(1_000_000.0)
    with beside(work.doubled, many[:2]) as first, beside(work.doubled, many) as second:
        assert second.result()[-1] == 2 * many[-1]
        assert first.result().tolist() == [0.0, 2.0]


def test_an_error_there_is_raised_here(work):
    with beside(work.fails) as there, pytest.raises(SchemaError, match="no such column"):
        there.result()


def test_a_process_that_dies_is_told(work):
    with beside(work.dies) as there, pytest.raises(ProcessError, match="has died"):
        there.result()


def test_no_process_is_left_where_the_block_fails(work, monkeypatch):
    started, start = [], subprocess.Popen

    def remember(*args, **more):
        started.append(start(*args, **more))
        return started[-1]

    monkeypatch.setattr(subprocess, "Popen", remember)
    with pytest.raises(ZeroDivisionError), beside(work.sleeps):
        raise ZeroDivisionError
    assert started[0].poll() is not None


def test_there_is_always_one_process_and_never_too_many(monkeypatch):
    for cores, expected in ((None, 1), (1, 1), (2, 2), (500, MOST)):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        assert processes() == expected
