"""A cluster that is not there, does not fit, goes away or loses its workers."""

from __future__ import annotations

import operator
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import distributed
import pytest
from typer.testing import CliRunner

from vaultplan import cli
from vaultplan.errors import ClusterError, MissingExtraError, SchemaError, SettingsError
from vaultplan.spread import cluster
from vaultplan.spread.alike import card, difference
from vaultplan.spread.cluster import Cluster, cluster_at, current, peak_mb


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits long for what will not come."""
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1.0)
    monkeypatch.setattr(cluster, "LONE_SECONDS", 1.0)


@pytest.fixture
def scheduler() -> Iterator[distributed.LocalCluster]:
    """A scheduler without workers."""
    with distributed.LocalCluster(
        n_workers=0,
        processes=False,
        dashboard_address="127.0.0.1:0",
        protocol="tcp",
        silence_logs=50,
    ) as found:
        yield found


def test_without_an_address_work_stays_here() -> None:
    with cluster_at(None) as found:
        assert found is None
        assert current() is None


@pytest.mark.parametrize("address", ["locals", "local:0", "local:many", "127.0.0.1:8786", ""])
def test_an_address_that_is_none_is_refused(address: str) -> None:
    with (
        pytest.raises(SettingsError, match=r"write local, local:N .* tcp://"),
        cluster_at(address),
    ):
        pass


def test_a_scheduler_that_is_not_there_is_told(hasty: None) -> None:
    address = f"tcp://127.0.0.1:{free_port()}"
    with (
        pytest.raises(ClusterError, match=f"no scheduler answers at {address}; start one"),
        cluster_at(address),
    ):
        pass
    with pytest.raises(ClusterError, match="no scheduler answers at carrier://pigeon"):
        cluster_at("carrier://pigeon").__enter__()


def test_a_missing_extra_names_the_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(MissingExtraError, match=r"pip install 'vaultplan\[cluster\]'"),
        cluster_at("local"),
    ):
        pass


@pytest.mark.parametrize("verb", ["forecast", "trace", "plan", "replan", "watch"])
def test_verbs_of_the_walk_take_a_cluster(verb: str) -> None:
    words = [verb, "--cluster", "nowhere", "--db", "none.gpkg"]
    words += ["--out", "none"] if verb in ("plan", "replan") else []
    result = CliRunner().invoke(cli.app, words)
    assert isinstance(result.exception, SettingsError)
    assert "--cluster nowhere" in str(result.exception)


def test_a_scheduler_without_workers_is_told(
    hasty: None, scheduler: distributed.LocalCluster
) -> None:
    address = scheduler.scheduler_address
    with pytest.raises(ClusterError, match=f"{address} has no workers"), cluster_at(address):
        pass


def test_a_scheduler_elsewhere_is_used(workers: Cluster) -> None:
    address = workers._client.scheduler.address
    with cluster_at(address) as found:
        assert found is current()
        assert found.threads == 2
        assert found.run(operator.add, 40, lambda k: k, 3) == [40, 41, 42]
    assert current() is None


def test_workers_of_another_version_are_refused(
    workers: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = workers._client.scheduler.address
    other = {**card(), "vaultplan": "99.0 (abc)", "arithmetic": "of another processor"}
    monkeypatch.setattr(cluster, "card", lambda: other)
    words = r"not give the same bits \(vaultplan here is .*, there 99\.0 \(abc\); arithmetic here"
    with pytest.raises(ClusterError, match=words), cluster_at(address):
        pass
    # One that comes later is noticed by its first part.
    late = Cluster(workers._client, address)
    with pytest.raises(ClusterError, match=words):
        late.run(operator.add, 1, lambda k: k, 1)


def test_a_worker_without_the_program_is_refused(
    workers: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(*_: object, **__: object) -> dict[str, Any]:
        return {"tcp://far": ModuleNotFoundError("No module named 'vaultplan'")}

    monkeypatch.setattr(workers._client, "run", run)
    with pytest.raises(ClusterError, match=r"tcp://far cannot run .*No module named 'vaultplan'"):
        workers.check()
    # One that dies just then is no such worker.
    died = {"tcp://far": ConnectionResetError("in the middle of it")}
    monkeypatch.setattr(workers._client, "run", lambda *_, **__: died)
    workers.check()


def test_the_card_tells_what_differs() -> None:
    assert difference(card()) == ""
    assert difference({**card(), "GEOS": "1.0"}).startswith("GEOS here is 3")
    assert len({*card().values()}) > 5


def test_parts_come_back_in_their_order_and_are_told(workers: Cluster) -> None:
    told: list[int] = []
    found = workers.run(operator.mul, 3, lambda k: k, 20, told.append)
    assert found == [3 * k for k in range(20)]
    assert sorted(told) == list(range(20))


def test_a_mapping_is_one_part(workers: Cluster) -> None:
    found = workers.run(operator.or_, {"a": 1}, lambda k: {"b": k}, 3)
    assert found == [{"a": 1, "b": k} for k in range(3)]


def test_memory_is_told_of_each_worker(workers: Cluster) -> None:
    before = workers.peaks_mb()
    assert set(before) == set(workers.pids())
    workers.run(operator.mul, 1, lambda _: bytes(300 * 2**20), 1)
    after = workers.peaks_mb()
    assert max(after[worker] - before[worker] for worker in before) > 250
    assert peak_mb() > 50


def refused(_: object, part: int) -> int:
    if part == 1:
        raise SchemaError("part 1 lacks a column")
    return part


def fatal(_: object, part: int) -> int:
    if part == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return part


def slow(_: object, part: tuple[int, bytes]) -> int:
    time.sleep(0.1)
    return part[0]


def test_an_error_of_the_work_is_raised_as_it_is(workers: Cluster) -> None:
    by_value(workers)
    with pytest.raises(SchemaError, match="part 1 lacks a column"):
        workers.run(refused, None, lambda k: k, 3)


def test_a_part_that_kills_its_workers_is_not_tried_for_ever(
    workers: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_value(workers)
    monkeypatch.setattr(cluster, "MOST_TRIES", 2)
    with pytest.raises(ClusterError, match="2 workers of local:2 died over the same part"):
        workers.run(fatal, None, lambda k: k, 3)
    assert workers.run(operator.add, 1, lambda k: k, 2) == [1, 2]


def test_workers_may_die_again_and_again(workers: Cluster) -> None:
    by_value(workers)
    killed: list[int] = []

    def kill(part: int) -> None:
        pids = list(workers.pids().values())
        if pids and part % 6 == 1:
            os.kill(pids[part % len(pids)], signal.SIGKILL)
            killed.append(part)

    found = workers.run(slow, bytes(20 * 2**20), lambda k: (k, bytes(2**20)), 12, kill)
    assert found == list(range(12))
    assert len(killed) > 1


def by_value(_: Cluster) -> None:
    """Workers cannot import these tests: what is defined here is sent whole."""
    distributed.protocol.pickle.cloudpickle.register_pickle_by_value(sys.modules[__name__])


def test_a_scheduler_that_goes_away_is_told(hasty: None) -> None:
    with distributed.LocalCluster(
        n_workers=1, processes=False, dashboard_address="127.0.0.1:0", silence_logs=50
    ) as own, cluster_at(own.scheduler_address) as found:  # fmt: skip
        assert found is not None

        def gone(_: int) -> None:
            own.close()

        with pytest.raises(ClusterError, match="went away; nothing was stored"):
            found.run(operator.add, 1, lambda k: k, 50, gone)


def test_workers_that_do_not_start_are_told(tmp_path: Path) -> None:
    # Workers begin by running the script anew, which would open a cluster again.
    script = tmp_path / "unguarded.py"
    script.write_text(
        "from vaultplan.spread import cluster_at\n"
        "from vaultplan.errors import ClusterError\n"
        "try:\n"
        "    cluster_at('local:1').__enter__()\n"
        "except ClusterError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False)
    assert "could not be started on this machine" in done.stdout
    assert '__name__ == "__main__"' in done.stdout
