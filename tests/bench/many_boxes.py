"""Thousands of boxes from nothing, on more and more workers: how much quicker that is, and how much memory it takes.

python -m tests.bench.many_boxes                                   (10,000 boxes, 1 and 2 processes: half an hour)
python -m tests.bench.many_boxes --boxes 200 400 --dask            (also on a Dask cluster of this machine)

Each question is a process of its own that fits all boxes anew. Memory is the proportional share (PSS) of that process
and all that it started, as the kernel counts it, looked at several times a second. Wall times say little on a machine
that does other things; processor time, and the ratios within one run, say more.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.big_shelf import BigShelf

ROOT = Path(__file__).resolve().parents[2]
DAYS = 60
LOOKED_EVERY_S = 0.2


@dataclass(frozen=True)
class Cost:
    """What a question took, with all processes that it started."""

    wall_s: float
    processor_s: float
    peak_mib: float
    answers: str
    """A digest of them."""


class MemoryWatch(threading.Thread):
    """Looks at the memory of a process and all below it until it ends."""

    def __init__(self, process: int) -> None:
        super().__init__(daemon=True)
        self._process, self.peak_mib, self._ended = process, 0.0, threading.Event()

    def run(self) -> None:
        while not self._ended.wait(LOOKED_EVERY_S):
            self.peak_mib = max(self.peak_mib, sum(map(pss_mib, with_descendants(self._process))))

    def end(self) -> float:
        self._ended.set()
        self.join()
        return self.peak_mib


def with_descendants(process: int) -> list[int]:
    """Return a process and all that it started, directly or not, and that still run."""
    found = [process]
    for one in found:
        try:
            for task in Path(f"/proc/{one}/task").iterdir():
                found += map(int, (task / "children").read_text().split())
        except OSError:
            continue
    return found


def pss_mib(process: int) -> float:
    """Return the memory of a process, what it shares with others counted in part."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024.0


def asked(shelf: Path, workers: int, dask: bool) -> Cost:
    """Ask in a process of its own and return what that took."""
    command = [sys.executable, "-m", "tests.bench.many_boxes", "--ask", str(shelf), "--workers", str(workers)]
    began = time.perf_counter()
    process = subprocess.Popen([*command, *(["--dask"] if dask else [])], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    watch = MemoryWatch(process.pid)
    watch.start()
    assert process.stdout
    answers = process.stdout.read().strip()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"the question ended with {process.returncode}")
    return Cost(time.perf_counter() - began, used.ru_utime + used.ru_stime, watch.end(), answers)


def ask(shelf_folder: Path, workers: int, dask: bool) -> str:
    """Fit all boxes anew, keep their outlooks, and return a digest of the answers."""
    from monitor.services.assess import assess
    from monitor.settings import load_shelf
    from monitor.store.opening import open_stores

    shelf = load_shelf(shelf_folder, {})
    assert shelf.recorded_until
    with open_stores(shelf.database_path, read_only=True) as stores:
        answers = assess(
            stores.readings, stores.ledger, shelf.boxes, shelf.recorded_until, kept=stores.outlooks, fresh=True,
            workers=workers, dask="local" if dask else None,
        )  # fmt: skip
    digest = blake2b(digest_size=8)
    for one in answers:
        digest.update(repr(one).encode())
    return f"{digest.hexdigest()} {sum(one.forecast is not None for one in answers)}"


def compared(folder: Path, boxes: int, workers: list[int], ways: list[bool]) -> list[Cost]:
    """Ask a shelf of so many boxes in all ways and print a line for each."""
    shelf = BigShelf(folder / f"{boxes}-boxes", boxes, DAYS).folder
    costs = []
    for dask in ways:
        of_this_way = [asked(shelf, count, dask) for count in workers]
        for count, cost in zip(workers, of_this_way, strict=True):
            first = of_this_way[0].wall_s * workers[0]
            where = f"Dask, {count}" if dask else f"{count}"
            print(
                f"| {boxes} | {where} | {cost.wall_s:.0f} | {cost.wall_s * count / first:.2f} | {cost.processor_s:.0f} "
                f"| {1e3 * cost.processor_s / boxes:.0f} | {cost.peak_mib:.0f} | {cost.answers.split()[1]} |",
                flush=True,
            )
        costs += of_this_way
    print(f"answers are the same to the bit: {len({cost.answers for cost in costs}) == 1}", flush=True)
    return costs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boxes", type=int, nargs="+", default=[10_000], help="how many; several show how it grows")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--dask", action="store_true", help="also on a Dask cluster of this machine")
    parser.add_argument("--folder", type=Path, help="where the shelves are made, or lie from an earlier run")
    parser.add_argument("--ask", type=Path, help=argparse.SUPPRESS)
    told = parser.parse_args()
    if told.ask:
        print(ask(told.ask, told.workers[0], told.dask))
        return
    with tempfile.TemporaryDirectory() as temporary:
        print("| boxes | workers | wall, s | wall × workers | processor, s | ms a box | memory, MiB | forecasts |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- |")
        ways = [False, True] if told.dask else [False]
        peaks = [
            [cost.peak_mib for cost in compared(told.folder or Path(temporary), boxes, told.workers, ways)]
            for boxes in told.boxes
        ]
    for fewer, more, before, after in zip(told.boxes, told.boxes[1:], peaks, peaks[1:], strict=False):
        grown = (1024.0 * (b - a) / (more - fewer) for a, b in zip(before, after, strict=True))
        print(f"{fewer} to {more} boxes, memory a box, KiB: {', '.join(f'{one:.0f}' for one in grown)}")


if __name__ == "__main__":
    main()
