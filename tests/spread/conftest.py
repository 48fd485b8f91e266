"""One local cluster for all of these tests, the demo on its way to a plan, and what it comes to."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

from vaultplan import loading, week
from vaultplan.provisions import JobDraws
from vaultplan.settings import Settings
from vaultplan.spread import cluster
from vaultplan.spread.cluster import Cluster, cluster_at

from .judging import Pretended, judged, plan


@pytest.fixture(scope="session")
def workers() -> Iterator[Cluster]:
    """Two worker processes of our own; not yet taken for the walk."""
    with cluster_at("local:2") as found:
        token = cluster._CURRENT.set(None)
        yield found
        cluster._CURRENT.reset(token)


@pytest.fixture
def spread(workers: Cluster) -> Iterator[Cluster]:
    """The same, while the walk's steps go there."""
    token = cluster._CURRENT.set(workers)
    yield workers
    cluster._CURRENT.reset(token)


@pytest.fixture
def in_parts() -> Iterator[Pretended]:
    """Steps in parts without a cluster: what a cut must keep, told quickly."""
    token = cluster._CURRENT.set(Pretended())
    yield cluster._CURRENT.get()
    cluster._CURRENT.reset(token)


@pytest.fixture(scope="session")
def town(demo_file: Path, quick: Settings) -> week.Week:
    """The demo's week, read."""
    return week.open_week(str(demo_file), None, None, quick, loading.silent)


@pytest.fixture(scope="session")
def alone(town: week.Week, points: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """What the single process makes of the demo."""
    token = cluster._CURRENT.set(None)
    found = judged(town, points)
    cluster._CURRENT.reset(token)
    return found


@pytest.fixture(scope="session")
def points(town: week.Week) -> pd.DataFrame:
    """Every vault on a day, some on two more, in no order and with an index of their own."""
    every = town.frames["vaults"]["vault_id"]
    asked = pd.concat([week.cross(every, town.days[:1]), week.cross(every[::9], town.days[1:3])])
    asked = asked.sample(frac=1.0, random_state=3)
    asked.index = pd.Index(range(7, 7 + len(asked)), name="row")
    return asked


@pytest.fixture(scope="session")
def planned(town: week.Week) -> tuple[week.Week, JobDraws]:
    """The demo's plan as the single process makes it, and draws of its jobs' water."""
    token = cluster._CURRENT.set(None)
    made = plan(town)
    cluster._CURRENT.reset(token)
    return made
