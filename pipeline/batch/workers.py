"""The workers of a run: a cluster of this machine's own, on loopback, or one that is there."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError

_MEMORY_PART = 0.85  # of what is free, for all workers together
_HEADROOM = 1.3  # over what the largest weld took so far
_USUAL_BYTES = 600_000_000
_LOOPBACK = "127.0.0.1"
_ENDS_S = 10
_BEGINNINGS = 3

_SETTINGS = {
    # A weld is as much work as a worker can hold: none waits in a worker for another.
    "distributed.scheduler.worker-saturation": 1.0,
    # A weld whose workers died so often is given up; fewer could be chance where machines fail.
    "distributed.scheduler.allowed-failures": 5,
    # Memory is the kernels', not results that Dask could spill; only too much of it counts.
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": 0.95,
    "distributed.comm.timeouts.connect": f"{_ENDS_S}s",
}


@dataclass(frozen=True, slots=True)
class Team:
    """How many workers of how many threads, and the bytes that each may take."""

    workers: int
    threads: int
    memory_bytes: int


def local_team(
    largest_bytes: int, *, workers: int | None, threads: int | None, memory_bytes: int | None
) -> Team:
    """Workers for this machine: no more threads in all than cores, no more memory than is free.

    ``largest_bytes`` is what the largest weld is known to take, 0 where none is. What is given
    counts. Single threads get the most out of each core.
    """
    cores = len(os.sched_getaffinity(0))
    free = int(_free_bytes() * _MEMORY_PART)
    if workers is None:
        each = memory_bytes or int(_HEADROOM * (largest_bytes or _USUAL_BYTES))
        workers = max(1, min(cores // (threads or 1), free // each))
    return Team(
        workers, threads or max(1, cores // workers), memory_bytes or max(free // workers, 1)
    )


def _free_bytes() -> int:
    """Memory that this process and its children may take: what is free, within a container's
    limit."""
    from distributed.system import MEMORY_LIMIT  # noqa: PLC0415 - slow

    told = Path("/proc/meminfo").read_text(encoding="ascii")
    available = int(told.partition("MemAvailable:")[2].split()[0]) * 1024
    return min(available, int(MEMORY_LIMIT))


@contextmanager
def local_workers(team: Team) -> Iterator[Any]:
    """A client of a cluster of processes on this machine, which ends with the block.

    Every port is bound to loopback only.
    """
    import dask  # noqa: PLC0415 - slow, and only a run needs it
    from distributed import Client, LocalCluster  # noqa: PLC0415

    def begin() -> Any:
        return LocalCluster(
            n_workers=team.workers,
            threads_per_worker=1,
            processes=True,
            host=_LOOPBACK,
            dashboard_address=f"{_LOOPBACK}:0",
            worker_dashboard_address=f"{_LOOPBACK}:0",
            memory_limit=team.memory_bytes,
            silence_logs=logging.CRITICAL,
        )

    with (
        dask.config.set(_SETTINGS),
        _begun(begin) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield client


def _begun(begin: Callable[[], Any]) -> Any:
    """The cluster, begun again where a worker died before it was up.

    Raises:
        InputError: its workers don't come up.
    """
    for left in range(_BEGINNINGS)[::-1]:
        try:
            return begin()
        except RuntimeError as error:  # it cleans up after itself
            if not left:
                raise InputError(
                    f"the workers don't come up ({error})",
                    remedy="Is there enough memory? Fewer --workers take less",
                ) from error
    raise AssertionError


@contextmanager
def workers_at(address: str) -> Iterator[Any]:
    """A client of the scheduler at an address.

    Raises:
        InputError: none answers there, or it has no workers.
    """
    import dask  # noqa: PLC0415
    from distributed import Client  # noqa: PLC0415

    for name in ("distributed", "distributed.client", "distributed.core"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # a lost scheduler is told by us
    with dask.config.set(_SETTINGS):
        try:
            client = Client(address, timeout=_ENDS_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise InputError(
                f"no scheduler answers there ({error})",
                where=address,
                expected="the address of a running dask scheduler, such as tcp://127.0.0.1:8786",
            ) from error
        with client:
            try:
                client.wait_for_workers(1, timeout=_ENDS_S)
            except TimeoutError as error:
                raise InputError(
                    "the scheduler has no workers",
                    where=address,
                    remedy=f"Start some: dask worker {address} --nthreads 1",
                ) from error
            yield client
