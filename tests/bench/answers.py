"""How long a person waits for an answer: each question as a whole command in a process of its own, one table.

python -m tests.bench.answers                             (all rows: some minutes, most of it filling 1,000 boxes)
python -m tests.bench.answers --only help demo what-if    (some of them)
PYTHONPATH=OLDER python tests/bench/answers.py --keep before.json      (the same of another checkout, then
python -m tests.bench.answers --before before.json                      both in one table)

Medians; ratios are to `siccast log show` in the same rounds, which opens the same database and estimates nothing. On a
machine that does other things, only ratios and the processor time beside them say much. Ten years, and sites that
outgrow one machine, have benches of their own.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bench.big_shelf import BigShelf, many_times_the_demo

import monitor

ROOT = Path(monitor.__file__).resolve().parents[1]
DEMO_QUESTIONS = ("boxes", "today", "forecast", "leak", "plan")
WHAT_IF = ("what-if", "pla-white", "--leak-times", "0.5")
MANY_BOXES, MANY_DAYS = 200, 60
NIGHT_BOXES, NIGHT_DAYS = 1_000, 365
NEEDS_THE_PERSON = 3  # exit code of `today` where a box is due
PATIENCE_S = 900.0


@dataclass(frozen=True)
class Cost:
    """What a process took, with those it waited for."""

    wall_s: float
    processor_s: float


@dataclass
class Row:
    """A question, what it may take, and what it took each time."""

    question: str
    must: str
    """`2 x` log show, or an absolute `1.6 s`; `ms` of processor time a box, for a night."""
    costs: list[Cost] = field(default_factory=list)
    boxes: int = 1
    reference: list[Cost] = field(default_factory=list)
    """`siccast log show` on the same shelf, in the same rounds."""

    @property
    def wall_s(self) -> float:
        return median(cost.wall_s for cost in self.costs)

    @property
    def processor_s(self) -> float:
        return median(cost.processor_s for cost in self.costs)

    @property
    def ratio(self) -> float | None:
        """Wall times over that of `log show` in the same round, the median of the rounds."""
        pairs = zip(self.costs, self.reference, strict=False)
        ratios = [one.wall_s / other.wall_s for one, other in pairs]
        return median(ratios) if ratios else None

    @property
    def met(self) -> bool | None:
        """Whether it took no more than it may; None where nothing was asked for."""
        limit, _, unit = self.must.partition(" ")
        if unit == "x":
            return self.ratio is not None and self.ratio <= float(limit)
        if unit == "s":
            return self.wall_s <= float(limit)
        return 1e3 * self.processor_s / self.boxes <= float(limit) if unit else None


class Bench:
    """Where the shelves lie, and how a command is run there."""

    def __init__(self, folder: Path, times: int) -> None:
        self.folder, self.times = folder, times
        ours = {name: value for name, value in os.environ.items() if not name.startswith("SICCAST_")}
        ours.pop("PYTHONDONTWRITEBYTECODE", None)  # whoever installs a package has its byte code
        self._environment = ours | {"PYTHONPYCACHEPREFIX": str(folder / "bytecode"), "COLUMNS": "120"}
        self.run("--help")

    def start(self, words: Sequence[str], stderr: int | None = None) -> subprocess.Popen[bytes]:
        """Start a command of this checkout."""
        command = [sys.executable, "-m", "monitor.cli.start", *words]
        output = {"stdout": subprocess.DEVNULL, "stderr": stderr}
        return subprocess.Popen(command, cwd=ROOT, env=self._environment, **output)

    def run(self, *words: str) -> Cost:
        """Run a command to its end and return what it took."""
        with tempfile.TemporaryFile() as stderr:
            began = time.perf_counter()
            process = self.start(words, stderr.fileno())
            _, status, used = os.wait4(process.pid, 0)
            wall_s = time.perf_counter() - began
            process.returncode = os.waitstatus_to_exitcode(status)
            if process.returncode not in {0, NEEDS_THE_PERSON}:
                stderr.seek(0)
                raise SystemExit(f"siccast {' '.join(words)} ended with {process.returncode}: {stderr.read().decode()}")
        return Cost(wall_s, used.ru_utime + used.ru_stime)

    @property
    def knows_fresh(self) -> bool:
        """Whether questions have `--fresh`; without it each of them is made anew, and is cold."""
        command = [sys.executable, "-m", "monitor.cli.start", "boxes", "--help"]
        said = subprocess.run(command, cwd=ROOT, env=self._environment, capture_output=True, text=True, check=True)
        return "--fresh" in said.stdout

    def asked(self, shelf: Path, questions: Sequence[tuple[Row, tuple[str, ...]]]) -> list[Row]:
        """Ask in rounds, so that what else the machine does falls on all of them; `log show` is asked in each."""
        for _ in range(self.times):
            reference = self.run("--shelf", str(shelf), "log", "show")
            for row, words in questions:
                row.reference.append(reference)
                row.costs.append(self.run("--shelf", str(shelf), *words))
        return [row for row, _ in questions]

    def fresh(self, *words: str) -> tuple[str, ...]:
        """Return a question that is answered anew."""
        return (*words, "--fresh") if self.knows_fresh else words


# --- the rows --------------------------------------------------------------------------------------------------------


def help_rows(bench: Bench) -> list[Row]:
    """`--help`, which needs no shelf."""
    return [Row("--help", "0.15 s", [bench.run("--help") for _ in range(bench.times)])]


def demo(bench: Bench) -> Path:
    """Return the demo's shelf."""
    shelf = bench.folder / "demo"
    if not shelf.exists():
        bench.run("demo", "--fast", "--keep", str(shelf))
    return shelf


def asked_once(bench: Bench, shelf: Path) -> Path:
    """Return a shelf where whatever is kept of an answer is there."""
    bench.run("--shelf", str(shelf), "boxes")
    return shelf


def demo_rows(bench: Bench) -> list[Row]:
    """Every question to the demo's boxes, warm and cold, and `log show` itself."""
    shelf = asked_once(bench, demo(bench))
    bench.run("--shelf", str(shelf), "plan")
    questions = [(Row("log show, demo", ""), ("log", "show"))]
    questions += [(Row(f"{word}, demo, warm", "2 x"), (word,)) for word in DEMO_QUESTIONS]
    questions += [(Row(f"{word}, demo, cold", "1.6 s"), bench.fresh(word)) for word in DEMO_QUESTIONS]
    return bench.asked(shelf, questions)


def what_if_rows(bench: Bench) -> list[Row]:
    """What would be if one box leaked half as much."""
    return bench.asked(asked_once(bench, demo(bench)), [(Row("what-if for one box, demo, warm", "2 x"), WHAT_IF)])


def many_boxes(bench: Bench) -> Path:
    """Return a shelf of 200 boxes, asked once."""
    return asked_once(bench, many_times_the_demo(bench.folder / "many", demo(bench), MANY_BOXES, MANY_DAYS))


def many_rows(bench: Bench) -> list[Row]:
    """All of 200 boxes, cold and warm."""
    what = f"{MANY_BOXES} boxes of {MANY_DAYS} days"
    questions = [(Row(f"boxes, {what}, warm", "3 x"), ("boxes",))]
    questions += [(Row(f"boxes, {what}, cold", "15 s"), bench.fresh("boxes"))]
    return bench.asked(many_boxes(bench), questions)


def page_rows(bench: Bench) -> list[Row]:
    """The first view of the page of 200 boxes: from the first request to the boxes, by a server just started."""
    shelf = many_boxes(bench)
    first = Row(f"first view of the page, {MANY_BOXES} boxes", "0.15 s")
    later = Row(f"a later view of the page, {MANY_BOXES} boxes", "")
    for _ in range(bench.times):
        for row, cost in zip((first, later), _views(bench, shelf), strict=True):
            row.costs.append(cost)
    return [first, later]


def _views(bench: Bench, shelf: Path) -> Iterator[Cost]:
    """Yield what a first and a later view cost; the processor time is the server's."""
    from conftest import free_port

    port = free_port()
    server = bench.start(["--shelf", str(shelf), "serve", "--port", str(port)], subprocess.DEVNULL)
    try:
        _ready(server, port)
        for _ in range(2):
            began, used_s = time.perf_counter(), _processor_s(server.pid)
            while b"pla-white-0" not in _page(port):
                if time.perf_counter() - began > PATIENCE_S:
                    raise SystemExit("the page never showed its boxes")
                time.sleep(0.005)
            yield Cost(time.perf_counter() - began, _processor_s(server.pid) - used_s)
    finally:
        server.terminate()
        server.wait(60)


def _ready(server: subprocess.Popen[bytes], port: int) -> None:
    """Wait until the server answers at all; a style sheet needs no boxes."""
    while server.poll() is None:
        try:
            _page(port, "/assets/")
        except OSError:
            time.sleep(0.02)
        else:
            return
    raise SystemExit(f"the page's server ended with {server.returncode}")


def _page(port: int, path: str = "/") -> bytes:
    from http.client import HTTPConnection

    connection = HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        connection.request("GET", path)
        return connection.getresponse().read()
    finally:
        connection.close()


def _processor_s(pid: int) -> float:
    """Return the processor time of a process up to now, with that of children it has waited for."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")  # proc(5): utime, stime, cutime, cstime


def night_rows(bench: Bench) -> list[Row]:
    """The first question after a night of hours came in, for 1,000 boxes; and the same asked again, all of it kept."""
    big = BigShelf(bench.folder / "night", NIGHT_BOXES, NIGHT_DAYS, bench.times)
    bench.run("--shelf", str(big.folder), "boxes")
    row = Row(f"a night's hours, {NIGHT_BOXES} boxes of {NIGHT_DAYS} days", "10 ms a box", boxes=NIGHT_BOXES)
    again = Row("the same, asked again", "", boxes=NIGHT_BOXES, reference=row.reference)
    for _ in range(bench.times):
        big.add_a_night()
        row.reference.append(bench.run("--shelf", str(big.folder), "log", "show"))
        row.costs.append(bench.run("--shelf", str(big.folder), "boxes"))
        again.costs.append(bench.run("--shelf", str(big.folder), "boxes"))
    shutil.rmtree(big.folder)  # its nights are used up
    return [row, again]


GROUPS: dict[str, Callable[[Bench], list[Row]]] = {
    "help": help_rows,
    "demo": demo_rows,
    "what-if": what_if_rows,
    "many": many_rows,
    "page": page_rows,
    "night": night_rows,
}


# --- the table -------------------------------------------------------------------------------------------------------


def circumstances(times: int) -> Iterator[str]:
    """Yield what the numbers depend on."""
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "typer", "rich"))
    commit = subprocess.run(
        ["git", "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    yield f"siccast {version('siccast')} at {commit.stdout.strip() or 'no commit'}, medians of {times}"
    yield f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {libraries}"
    yield f"{os.cpu_count()} cores, load {load()}"


def load() -> str:
    """Return how many processes wanted a core in the last 1, 5 and 15 minutes."""
    return " ".join(f"{one:.1f}" for one in os.getloadavg())


def table(rows: Sequence[Row], before: dict[str, dict[str, float]]) -> Iterator[str]:
    """Yield the lines of the table; what was kept of another run stands beside it."""
    then = " before: seconds, processor s |" if before else ""
    yield f"| question | seconds | processor s | ratio to log show |{then} must | met |"
    yield f"| --- | --- | --- | --- |{' --- |' if before else ''} --- | --- |"
    for row in rows:
        ratio = "" if row.ratio is None else f"{row.ratio:.2f}"
        said = {None: "", True: "yes", False: "no"}[row.met]
        old = before.get(row.question)
        was = f" {old['wall_s']:.2f}, {old['processor_s']:.2f} |" if old else " |" if before else ""
        a_box = f" ({1e3 * row.processor_s / row.boxes:.1f} ms a box)" if row.boxes > 1 else ""
        must = f"≤ {row.must.removesuffix(' x')}{' × log show' * row.must.endswith(' x')}" if row.must else ""
        yield f"| {row.question} | {row.wall_s:.2f} | {row.processor_s:.2f}{a_box} | {ratio} |{was} {must} | {said} |"


def main() -> None:
    """Measure the rows that were asked for, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="+", choices=GROUPS, default=list(GROUPS), help="rows to measure")
    parser.add_argument("--times", type=int, default=5, help="how often each is asked")
    parser.add_argument("--shelves", type=Path, help="keep the shelves here, and take those that are there")
    parser.add_argument("--keep", type=Path, help="file for the numbers of this run")
    parser.add_argument("--before", type=Path, help="file that another run kept, to stand beside this one")
    asked = parser.parse_args()
    before = json.loads(asked.before.read_text()) if asked.before else {}
    print(*circumstances(asked.times), sep="\n", flush=True)
    rows = []
    with tempfile.TemporaryDirectory() as made:
        bench = Bench(asked.shelves or Path(made), asked.times)
        if not bench.knows_fresh:
            print("questions have no --fresh: a warm one is as cold as a cold one")
        for name in asked.only:
            rows += GROUPS[name](bench)
            print(f"measured {name}, load {load()}", file=sys.stderr, flush=True)
    print(f"load at the end {load()}")
    if os.getloadavg()[1] > (os.cpu_count() or 1):
        print("the machine does more than this: seconds are too long, ratios and processor time say more")
    print(*table(rows, before), sep="\n")
    if asked.keep:
        kept = {row.question: {"wall_s": row.wall_s, "processor_s": row.processor_s} for row in rows}
        asked.keep.write_text(json.dumps(kept, indent=1))


if __name__ == "__main__":
    main()
