"""A cluster as the walk uses it: work goes out in parts, and once more where a worker died."""

from __future__ import annotations

import logging
import os
import queue
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import Any, Final

from vaultplan.errors import ClusterError, MissingExtraError, SettingsError, VaultplanError
from vaultplan.spread.alike import card, difference

#: What a worker of a local cluster may hold; at nine tenths and more it is ended and begun anew.
LOCAL_MEMORY_BYTES: Final = 2 * 2**30
MOST_LOCAL: Final = 4
#: How often a part is tried that dies with its worker, before the part is to blame.
MOST_TRIES: Final = 5
#: Parts under way per worker: one that is worked on, one that waits, so that nobody idles.
AHEAD: Final = 2
CONNECT_SECONDS: Final = 10.0
#: How long a cluster may be without any worker before it counts as gone; a killed one is back
#: within seconds where its nanny still lives.
LONE_SECONDS: Final = 60.0
_POLL_SECONDS: Final = 2.0

Tell = Callable[[int], None]
_CURRENT: ContextVar[Cluster | None] = ContextVar("vaultplan_cluster", default=None)


def current() -> Cluster | None:
    """Return the cluster that :func:`cluster_at` has opened, or none: then work stays here."""
    return _CURRENT.get()


class Cluster:
    """A scheduler and its workers, all of them as this process is.

    From :func:`cluster_at`.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client, self.address = client, address
        self._card = card()

    @property
    def threads(self) -> int:
        """How many parts can be worked on at once; ClusterError if the scheduler is gone."""
        try:
            return sum(self._client.nthreads().values())
        except Exception as error:  # the line to the scheduler breaks in many ways
            raise ClusterError(_gone(self.address)) from error

    def pids(self) -> dict[str, int]:
        """Return the process id of each worker by its address, but of one that dies meanwhile."""
        found: dict[str, int] = self._client.run(os.getpid, on_error="ignore")
        return found

    def peaks_mb(self) -> dict[str, int]:
        """Return the most memory that each worker's process has held so far, by its address."""
        found: dict[str, int] = self._client.run(peak_mb, on_error="ignore")
        return found

    def check(self) -> None:
        """Raise ClusterError unless there is a worker and all would come to the same bits."""
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError as error:
            raise ClusterError(
                f"the scheduler at {self.address} has no workers; start some with "
                f"`dask worker {self.address}` where this vaultplan is installed"
            ) from error
        try:
            found = self._client.run(difference, self._card, on_error="return")
        except Exception as error:  # what cannot be unpacked there comes back as anything
            raise ClusterError(_no_vaultplan(self.address, error)) from error
        for worker, told in found.items():
            # One that died meanwhile: what takes its place is looked at with its first part.
            if isinstance(told, OSError):
                continue
            if isinstance(told, BaseException):
                raise ClusterError(_no_vaultplan(worker, told)) from told
            if told:
                raise ClusterError(_differs(worker, told))

    def run(
        self,
        work: Callable[[Any, Any], Any],
        shared: Any,
        make: Callable[[int], Any],
        count: int,
        tell: Tell | None = None,
    ) -> list[Any]:
        """Return ``work(shared, part)`` of every part, in their order.

        Parameters
        ----------
        work
            A function that the workers can import.
        shared
            What all parts need; sent to every worker once.
        make, count
            Gives a part by its number, when there is room for it; and how many there are.
        tell
            Called with the number of the part that was done.

        Raises
        ------
        ClusterError
            If the scheduler or all workers are gone for good, a worker differs, or a part took
            ``MOST_TRIES`` workers with it.

        Notes
        -----
        What was under way on a worker that died is made and sent again, as is what all share.
        Errors that the work raises itself are raised here at once.
        """
        waiting = list(range(count))[::-1]
        running: dict[Any, tuple[int, Any, Any]] = {}
        tries = [0] * count
        results: list[Any] = [None] * count
        done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        common = _Common(self, shared)
        while waiting or running:
            while waiting and len(running) < AHEAD * max(self.threads, 1):
                number = waiting.pop()
                part, with_all = self._send(make(number), everywhere=False), common.sent()
                try:
                    future = self._client.submit(
                        do_part, self._card, work, with_all, part, pure=False
                    )
                    future.add_done_callback(done.put)
                except RuntimeError as error:  # a client that lost its scheduler closes itself
                    raise ClusterError(_gone(self.address)) from error
                running[future] = (number, part, with_all)
            future = self._next(done)
            number, _, with_all = running.pop(future)
            try:
                results[number] = self._result(future)
            except _LostError as lost:
                tries[number] += 1
                if tries[number] >= MOST_TRIES:
                    raise ClusterError(
                        f"{MOST_TRIES} workers of {self.address} died over the same part of the "
                        "work; give workers more memory, and look into their logs"
                    ) from lost
                # The scheduler may have forgotten what it still counts as sent, or the dead worker
                # may still count as alive: neither is asked again at once.
                common.forget(with_all)
                time.sleep(_POLL_SECONDS / 4 * tries[number])
                waiting.append(number)
                continue
            if tell is not None:
                tell(number)
        return results

    def _send(self, what: Any, *, everywhere: bool) -> Any:
        """Return data that workers hold, sent again while workers come and go."""
        for _ in range(MOST_TRIES):
            try:
                # In a list, as a mapping would be sent value by value.
                return self._client.scatter([what], broadcast=everywhere, hash=False)[0]
            except Exception as error:  # a worker that dies meanwhile shows as one of many kinds
                self._wait_for_a_worker()
                time.sleep(_POLL_SECONDS / 4)
                last = error
        raise ClusterError(f"nothing can be sent to the workers of {self.address}: {last}")

    def _next(self, done: queue.SimpleQueue[Any]) -> Any:
        """Return the next part that ended in whatever way."""
        while True:
            with suppress(queue.Empty):
                return done.get(timeout=_POLL_SECONDS)
            self._wait_for_a_worker()

    def _wait_for_a_worker(self) -> None:
        until = time.monotonic() + LONE_SECONDS
        while True:
            if self._client.status != "running":
                raise ClusterError(_gone(self.address))
            if self.threads:
                return
            if time.monotonic() > until:
                raise ClusterError(
                    f"all workers of {self.address} are gone; start some and run again: nothing "
                    "was stored"
                )
            time.sleep(_POLL_SECONDS / 4)

    def _result(self, future: Any) -> Any:
        """Return what a part came to; raise _LostError if it died with its worker."""
        from concurrent.futures import CancelledError

        from distributed.comm.core import CommClosedError
        from distributed.scheduler import KilledWorker

        while True:
            try:
                return future.result(timeout=_POLL_SECONDS)
            except TimeoutError:
                self._wait_for_a_worker()
            except VaultplanError:
                raise
            except (CancelledError, CommClosedError, KilledWorker) as error:
                self._wait_for_a_worker()
                raise _LostError from error


class _LostError(Exception):
    """A part died with its worker."""


class _Common:
    """What all parts share: with every worker, and sent again once none of them has it."""

    def __init__(self, cluster: Cluster, what: Any) -> None:
        self._cluster, self._what, self._sent = cluster, what, None

    def sent(self) -> Any:
        if self._sent is None or self._sent.status != "finished":
            self._sent = self._cluster._send(self._what, everywhere=True)
        return self._sent

    def forget(self, sent: Any) -> None:
        """Send it again next time, if what was sent so far is what was lost."""
        if sent is self._sent:
            self._sent = None


def peak_mb() -> int:
    """Return the most memory that this process has held since its program began, in MB.

    What the system's own count of it (``ru_maxrss``) says of a process begun by a larger one is the
    larger one's; it is taken where there is nothing better.
    """
    with suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) // 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def do_part(
    expected: dict[str, str], work: Callable[[Any, Any], Any], shared: Any, part: Any
) -> Any:
    """Return a part's work on a worker, which may have come after the others were looked at."""
    told = difference(expected)
    if told:
        raise ClusterError(_differs("", told))
    return work(shared, part)


@contextmanager
def cluster_at(address: str | None) -> Iterator[Cluster | None]:
    """Have the walk's heavy steps done by a cluster while the context lasts.

    Parameters
    ----------
    address
        ``tcp://host:port`` or ``tls://host:port`` of a scheduler; ``local`` for workers on this
        machine, one per core up to ``MOST_LOCAL``, ``local:N`` for N of them; nothing to stay in
        this process.

    Raises
    ------
    MissingExtraError
        If dask.distributed is not installed.
    SettingsError
        If the address is none of these.
    ClusterError
        If nobody answers there, there is no worker, or a worker would not give the same bits.
    """
    if address is None:
        yield None
        return
    count = _local_count(address)
    try:
        import distributed
    except ImportError as error:
        raise MissingExtraError("dask.distributed", "cluster") from error
    with _opened(distributed, address, count) as client:
        cluster = Cluster(client, address)
        cluster.check()
        token = _CURRENT.set(cluster)
        try:
            yield cluster
        finally:
            _CURRENT.reset(token)


def _local_count(address: str) -> int:
    """Return how many workers of its own an address asks for; 0 if it is a scheduler's."""
    if address == "local":
        return min(os.cpu_count() or 1, MOST_LOCAL)
    kind, _, rest = address.partition(":")
    if kind == "local" and rest.isdecimal() and int(rest):
        return int(rest)
    if "://" in address:
        return 0
    raise SettingsError(
        f"--cluster {address}: write local, local:N for N workers, or the scheduler's address as "
        "tcp://host:port"
    )


@contextmanager
def _opened(distributed: Any, address: str, count: int) -> Iterator[Any]:
    """Yield a client of the scheduler at an address, or of workers of its own."""
    if count:
        with (
            _local_workers(distributed, count) as local,
            distributed.Client(local, set_as_default=False) as client,
        ):
            yield client
        return
    try:
        client = distributed.Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise ClusterError(
            f"no scheduler answers at {address}; start one with `dask scheduler` and workers for "
            "it, or leave --cluster out"
        ) from error
    with client:
        yield client


def _local_workers(distributed: Any, count: int) -> Any:
    """Return a scheduler and workers on this machine, none of which anybody else can reach."""
    room = int(distributed.system.MEMORY_LIMIT) * 3 // 4 // count
    try:
        return distributed.LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            memory_limit=min(LOCAL_MEMORY_BYTES, room),
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.ERROR,
        )
    except (RuntimeError, OSError) as error:
        raise ClusterError(
            f"{count} worker(s) could not be started on this machine ({error}); a script of your "
            'own has to do its work under `if __name__ == "__main__":`'
        ) from error


def _gone(address: str) -> str:
    return (
        f"the scheduler at {address} went away; nothing was stored: start it and its workers, and "
        "run again"
    )


def _differs(worker: str, told: str) -> str:
    return (
        f"a worker {worker} would not give the same bits ({told}); install what is here there too, "
        "on machines of one kind, or take that worker out"
    ).replace("worker  ", "worker ")


def _no_vaultplan(worker: str, error: BaseException) -> str:
    return (
        f"a worker of {worker} cannot run this vaultplan ({type(error).__name__}: {error}); "
        "install the same version there"
    )
