"""Many boxes streamed through a fit, in this process, in others or on a Dask cluster: the same answers to the bit."""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import psutil
import pytest
from bench.big_shelf import BigShelf
from simulated_shelf import simulated_shelf

from monitor.errors import ClusterError, StoreError
from monitor.inference import DisturbanceRates, Fitted, fitted
from monitor.inference.fit.posterior import Posterior
from monitor.inference.shelf import first_fits, workers
from monitor.inference.shelf.workers import worker_pool
from monitor.records import Assessment, BoxHistory, Outlook
from monitor.services.assess import assess
from monitor.services.dask_cluster import LOCAL, DaskCluster, DaskExecutor
from monitor.settings import Shelf, load_shelf
from monitor.store.opening import open_stores

BOXES, DAYS = 30, 12
POOLED = 24
"""Boxes from which on processes are started here: enough for six portions."""


@pytest.fixture(autouse=True)
def processes_pay(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let fewer boxes than usual start processes."""
    monkeypatch.setattr(workers, "PAYS_FROM", POOLED)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return load_shelf(BigShelf(tmp_path_factory.mktemp("site") / "shelf", BOXES, DAYS).folder, {})


@pytest.fixture(scope="module")
def cluster() -> Iterator[DaskCluster]:
    with closing(DaskCluster(LOCAL, 2)) as cluster:
        yield cluster


@pytest.fixture(scope="module")
def many() -> tuple[Sequence[BoxHistory], datetime]:
    return simulated_shelf(POOLED, DAYS)


@pytest.fixture(scope="module")
def alone(shelf: Shelf) -> Sequence[Assessment]:
    return ask(shelf, workers=1)


def ask(shelf: Shelf, **how: Any) -> Sequence[Assessment]:
    assert shelf.recorded_until
    with open_stores(shelf.database_path, read_only=True) as stores:
        return assess(stores.readings, stores.ledger, shelf.boxes, shelf.recorded_until, **how)


class Histories(Sequence[BoxHistory]):
    """Given ones, as a sequence that can be made to fail when one of them is read in another process."""

    def __init__(
        self, histories: Sequence[BoxHistory], marker: Path | None = None, broken: int = -1, pipe: Path | None = None
    ) -> None:
        """Through the ``pipe`` this process waits for the other one's death before it reads any itself."""
        self.histories, self.marker, self.broken, self.here = histories, marker, broken, os.getpid()
        self.pipe = pipe

    def __len__(self) -> int:
        return len(self.histories)

    def __getitem__(self, place: Any) -> Any:
        if place == self.broken:
            raise StoreError("the disk failed to read")
        if self.marker and not self.marker.exists():
            if os.getpid() != self.here:
                self.marker.touch()
                if self.pipe:
                    self.pipe.write_bytes(b"read")
                os.kill(os.getpid(), signal.SIGKILL)
            elif self.pipe:
                self.pipe.read_bytes()
        return self.histories[place]


def outlooks(given: Iterator[Fitted]) -> list[Outlook]:
    return [one.outlook for one in given]


def test_two_processes_read_the_store_and_answer_as_one_does(shelf: Shelf, alone: Sequence[Assessment]) -> None:
    assert all(one.forecast for one in alone)
    assert ask(shelf, workers=2) == alone


def test_a_cluster_reads_the_store_and_answers_as_one_process_does(shelf: Shelf, alone: Sequence[Assessment]) -> None:
    shares: list[float] = []
    assert ask(shelf, workers=2, dask=LOCAL, progress=shares.append) == alone
    assert shares == sorted(shares)
    assert (len(shares), shares[-1]) == (2 * BOXES, 1.0)
    assert multiprocessing.active_children() == []


def test_a_cluster_that_others_started_is_found_by_its_address(
    shelf: Shelf, alone: Sequence[Assessment], cluster: DaskCluster
) -> None:
    with cluster.executor(None) as executor:
        assert ask(shelf, dask=executor.address) == alone
        assert outlooks_are_still_made_by(executor)


def outlooks_are_still_made_by(executor: DaskExecutor) -> bool:
    """A question that ended took nothing from others at the same cluster."""
    return bool(executor.submit(_first, [1, 2]).result() == [1, 2])


def _first(shared: None, job: int) -> int:
    return job


@pytest.mark.parametrize("workers", [1, 2])
def test_first_fits_that_lay_in_a_file_give_the_same_answers_and_leave_nothing(
    shelf: Shelf, alone: Sequence[Assessment], workers: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(first_fits, "HELD_UP_TO", BOXES - 1)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(tempfile, "tempdir", None)
    files, usual = [], tempfile.TemporaryFile
    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **how: files.append(usual(**how)) or files[-1])
    assert ask(shelf, workers=workers) == alone
    assert [file.closed for file in files] == [True]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("where", ["pool", "cluster"])
def test_boxes_of_a_worker_that_was_killed_are_done_again(
    where: str, many: tuple[Sequence[BoxHistory], datetime], request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    histories, as_of = many
    pipe, rates = tmp_path / "pipe" if where == "pool" else None, DisturbanceRates(0.1, 0.1)
    if pipe:
        os.mkfifo(pipe)
    workers = 2 if where == "pool" else request.getfixturevalue("cluster")
    given = Histories(histories, tmp_path / "killed", pipe=pipe)
    found = outlooks(fitted(given, as_of, rates=rates, workers=workers))
    assert found == outlooks(fitted(histories, as_of, rates=rates, workers=1))
    assert (tmp_path / "killed").exists()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_box_that_cant_be_read_hides_no_other_and_is_not_kept_for_an_answer(
    workers: int, many: tuple[Sequence[BoxHistory], datetime]
) -> None:
    histories, as_of = many
    rates = DisturbanceRates(0.1, 0.1)
    answers = outlooks(fitted(Histories(histories, broken=3), as_of, rates=rates, workers=workers))
    assert [place for place, one in enumerate(answers) if one.forecast is None] == [3]
    assert answers[3].refusal == "the disk failed to read"
    assert answers[3].trace


def test_few_posteriors_are_in_memory_however_many_boxes_there_are(
    many: tuple[Sequence[BoxHistory], datetime], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(first_fits, "HELD_UP_TO", 4)
    histories, as_of = many
    alive: list[int] = []

    def posteriors() -> int:
        return sum(type(one) is Posterior for one in gc.get_objects())

    def count(_share: float) -> None:
        alive.append(posteriors() - of_others)

    of_others = posteriors()  # which other tests of this process hold
    for _ in fitted(histories, as_of, workers=1, progress=count):
        pass
    assert len(alive) == 2 * len(histories)
    assert max(alive) <= 12  # a portion of four, each with what it is made of


def test_no_more_jobs_are_on_their_way_than_the_workers_need(cluster: DaskCluster) -> None:
    taken: list[int] = []

    def jobs() -> Iterator[int]:
        for job in range(400):
            taken.append(job)
            yield job

    with worker_pool(10, 400, cluster) as pool:
        for answer in pool.each(_times, jobs()):
            assert len(taken) - answer / 10 <= 40
    assert len(taken) == 400


def _times(shared: int, job: int) -> int:
    return shared * job


def test_a_local_cluster_is_not_reached_from_outside(cluster: DaskCluster) -> None:
    with cluster.executor(None):
        ours = [psutil.Process(), *psutil.Process().children(recursive=True)]
        open_to = {at.laddr.ip for one in ours for at in one.net_connections("inet") if at.status == psutil.CONN_LISTEN}
    assert open_to == {"127.0.0.1"}


class Unreadable:
    def __reduce__(self) -> Any:
        return _cant_be_opened, ()


def _cant_be_opened() -> None:
    raise StoreError("there is no database /srv/shelf/siccast.sqlite3")


def test_a_worker_that_cant_read_the_shelf_says_so_in_one_line(cluster: DaskCluster) -> None:
    with pytest.raises(ClusterError) as error, cluster.executor(Unreadable()):
        pass
    told = str(error.value)
    assert told.startswith("the Dask worker tcp://127.0.0.1:")
    assert told.endswith("can't read the shelf: there is no database /srv/shelf/siccast.sqlite3")


def test_an_address_where_no_cluster_is_is_said_in_one_line(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.services.dask_cluster._PATIENCE_S", 0.5)
    with pytest.raises(ClusterError, match=r"there is no Dask scheduler with a worker at tcp://127\.0\.0\.1:9 "):
        ask(shelf, dask="tcp://127.0.0.1:9")


def test_without_the_library_one_line_says_how_to_install_it(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "monitor.services.dask_cluster", raising=False)
    monkeypatch.setitem(sys.modules, "dask", None)
    with pytest.raises(ClusterError, match=r"pip install 'siccast\[dask\]'"):
        ask(shelf, dask=LOCAL)
