"""What the page of all boxes costs: its first byte, the memory of its server, and what goes over the wire.

python -m tests.bench.page                                 (12, 200 and 1,000 boxes with kept outlooks: some minutes)
python -m tests.bench.page --boxes 200 --shelves FOLDER    (some of them; shelves are kept there, and taken again)

Each server is a process of its own, asked by one visitor. On a machine that does other things, the processor time that
the server spends on an answer says more than the seconds a visitor waits. Memory is the proportional share (PSS): of
the server, and the most that it took so far with the process beside it that makes the plan.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import httpx

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.big_shelf import BigShelf
from bench.many_boxes import MemoryWatch, pss_mib

ROOT = Path(__file__).resolve().parents[2]
SICCAST = [sys.executable, "-m", "monitor.cli.start"]
DAYS = 60
NEEDS_THE_PERSON = 3  # exit code where a box is due
FIRST_BYTE_MS = {12: 100.0, 200: 150.0, 1000: 400.0}
"""What a first byte may take on a quiet machine."""
VIEWS = {"as it opens": "/", "columns": "/?view=columns", "another search each time": "/?q=box%20{}"}


@dataclass(frozen=True)
class Cost:
    """What one way to look costs, medians."""

    boxes: int
    view: str
    first_byte_ms: float
    processor_ms: float
    on_the_wire_kb: float
    memory_mib: float
    most_mib: float

    def row(self) -> str:
        may = FIRST_BYTE_MS.get(self.boxes)
        return (
            f"| {self.boxes} | {self.view} | {self.first_byte_ms:.0f}{f' (≤ {may:.0f})' if may else ''} "
            f"| {self.processor_ms:.0f} | {self.on_the_wire_kb:.1f} | {self.memory_mib:.0f} | {self.most_mib:.0f} |"
        )


@contextmanager
def server(shelf: Path) -> Iterator[tuple[str, int]]:
    """Serve a shelf in a process of its own; hand out its address and process."""
    command = [*SICCAST, "--shelf", str(shelf), "serve", "--port", "0"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        found = re.search(r"http://\S+?(?=/?\s)", process.stdout.readline())
        assert found
        try:
            while 'id="headline"' not in httpx.get(found[0], timeout=None).text:
                time.sleep(0.2)
            yield found[0], process.pid
        finally:
            process.terminate()


def processor_s(process: int) -> float:
    """Return what a process has spent so far."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def asked(address: str, process: int, path: str, times: int) -> tuple[float, float, float, float]:
    """Ask for a view again and again; return what a ``Cost`` wants of it."""
    waits, length = [], 0
    with httpx.Client(base_url=address, timeout=None, headers={"Accept-Encoding": "gzip"}) as visitor:
        visitor.get(path.format("0"))
        before = processor_s(process)
        for each in range(times):
            began = time.perf_counter()
            with visitor.stream("GET", path.format(each)) as answer:
                waits.append(1e3 * (time.perf_counter() - began))
                length = sum(map(len, answer.iter_raw()))
    spent_ms = 1e3 * (processor_s(process) - before) / times
    return median(waits), spent_ms, length / 1000.0, pss_mib(process)


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boxes", type=int, nargs="+", default=list(FIRST_BYTE_MS))
    parser.add_argument("--times", type=int, default=20, help="how often each view is asked for")
    parser.add_argument("--shelves", type=Path, help="keep the shelves here, and take those that are there")
    told = parser.parse_args()
    print("| boxes | view | first byte, ms | its processor time, ms | on the wire, kB | its MiB | most in all |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as made:
        for boxes in told.boxes:
            shelf = BigShelf((told.shelves or Path(made)) / f"{boxes}-boxes", boxes, DAYS).folder
            command = [*SICCAST, "--shelf", str(shelf), "boxes"]
            kept = subprocess.run(command, cwd=ROOT, stdout=subprocess.DEVNULL, check=False)
            assert kept.returncode in {0, NEEDS_THE_PERSON}
            with server(shelf) as (address, process):
                watch = MemoryWatch(process)
                watch.start()
                for view, path in VIEWS.items():
                    cost = asked(address, process, path, told.times)
                    print(Cost(boxes, view, *cost, watch.peak_mib).row(), flush=True)
                watch.end()


if __name__ == "__main__":
    main()
