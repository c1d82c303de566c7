"""Boxes fitted on a Dask cluster: what many boxes have in common is given to every worker, also to one that comes late.

A worker that is lost loses nothing: the scheduler has its boxes done again by another.
"""

from __future__ import annotations

import logging
import pickle
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import ExitStack, contextmanager
from typing import Any

import dask
from distributed import Client, Future, KilledWorker, LocalCluster, Worker, WorkerPlugin

from monitor.errors import ClusterError
from monitor.services.packing import version_of_code

LOCAL = "local"
"""In place of an address: a cluster on this machine, for as long as the question takes."""
_PATIENCE_S = 15.0  # judgement: a scheduler on the next desk answers within a second, and workers start in some
_LOOPBACK = "127.0.0.1"
_LOCAL_SETTINGS: dict[str, object] = {
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.worker.profile.enabled": False,
    "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 2**27,
}
"""Nothing is served, and workers fit boxes: the library's own would give memory back to the system, and take it again,
with each array. [bytes] Measured: a tenth of the work."""

_at_work: dict[str, Any] = {}
"""What jobs share, by its token, in a worker."""


class DaskCluster:
    """A cluster, connected to when there is work for it, until it is closed."""

    def __init__(self, address: str, local_workers: int | None = None) -> None:
        """``local_workers`` are those of a local cluster, by default one for each core."""
        self._address, self._local_workers = address, local_workers
        self._client: Client | None = None
        self._stack = ExitStack()

    def close(self) -> None:
        """Let go of the cluster; a local one ends."""
        self._client = None
        self._stack.close()

    @contextmanager
    def executor(self, shared: object) -> Iterator[DaskExecutor]:
        """Give every worker what the jobs share, until the end of the body."""
        client = self._client = self._client or self._connected()
        brought = _Brought(shared)
        try:
            self._bring(brought, client)
            yield DaskExecutor(client, brought.name)
        finally:
            if client.status == "running":
                client.unregister_worker_plugin(brought.name)

    def _bring(self, brought: _Brought, client: Client) -> None:
        try:
            client.register_plugin(brought)
        except ClusterError:
            raise
        except Exception as error:  # whatever an interpreter says of what it lacks
            raise ClusterError(
                f"the workers of the Dask cluster {self._address} can't run siccast ({type(error).__name__}: {error})."
                " Install the same version of siccast there"
            ) from error

    def _connected(self) -> Client:
        address: Any = self._address
        if address == LOCAL:
            self._stack.enter_context(dask.config.set(_LOCAL_SETTINGS))
            address = self._stack.enter_context(_local_cluster(self._local_workers))
        try:
            client = self._stack.enter_context(Client(address, timeout=_PATIENCE_S, set_as_default=False))
            client.wait_for_workers(1, timeout=_PATIENCE_S)
        except (OSError, ValueError) as error:
            raise ClusterError(
                f"there is no Dask scheduler with a worker at {address} ({error}). `dask scheduler` starts one and"
                f" `dask worker {address}` the other; '{LOCAL}' needs neither"
            ) from error
        return client


class DaskExecutor:
    """The workers of a cluster with what the jobs share at hand."""

    def __init__(self, client: Client, token: str) -> None:
        self._client, self._token = client, token
        self.processes = sum(client.nthreads().values())
        self.address = str(client.scheduler.address)

    def submit(self, work: Callable[[Any, Any], Any], jobs: list[Any]) -> _Answers:
        """Have a portion of jobs done, and return the list of their answers to come."""
        return _Answers(self._client.submit(_work, self._token, work, jobs, pure=False))


class _Answers:
    def __init__(self, future: Future) -> None:
        self._future = future

    def result(self) -> Any:
        """Wait for them; a cluster that is gone is an error of the system, after which work goes on here."""
        try:
            return self._future.result()
        except KilledWorker as error:
            raise ClusterError(f"the Dask cluster lost worker after worker over the same boxes: {error}") from error
        except CancelledError as error:
            raise OSError("the Dask cluster is gone") from error


class _Brought(WorkerPlugin):  # type: ignore[misc]  # the library's types are not read
    """Brings what jobs share to a worker, and takes it away again."""

    def __init__(self, shared: object) -> None:
        self.name = f"siccast-{uuid.uuid4().hex}"
        self._version, self._shared = version_of_code(), pickle.dumps(shared, pickle.HIGHEST_PROTOCOL)

    def setup(self, worker: Worker) -> None:
        """Open what is to be read, in the worker."""
        if version_of_code() != self._version:
            raise ClusterError(f"the Dask worker {worker.address} has another version of siccast; install the same one")
        try:
            _at_work[self.name] = pickle.loads(self._shared)
        except Exception as error:
            raise ClusterError(f"the Dask worker {worker.address} can't read the shelf: {error}") from error

    def teardown(self, worker: Worker) -> None:  # noqa: ARG002 -- the library's name
        """Let go of it."""
        _at_work.pop(self.name, None)


def _work(token: str, work: Callable[[Any, Any], Any], jobs: list[Any]) -> list[Any]:
    return [work(_at_work[token], job) for job in jobs]


def _local_cluster(workers: int | None) -> LocalCluster:
    """Start a cluster that nobody reaches from outside, and that shows no page."""
    no_page = {"dashboard": False, "dashboard_address": f"{_LOOPBACK}:0"}
    return LocalCluster(
        host=_LOOPBACK, n_workers=workers, threads_per_worker=1, dashboard_address=None, scheduler_kwargs=no_page,
        silence_logs=logging.ERROR,
    )  # fmt: skip
