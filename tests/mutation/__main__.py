"""`python -m tests.mutation`: how many small changes of the code the tests notice, by a sample.

Changes are those of cosmic-ray's operators, and every number with a point doubled and halved. A *place* is a spot that
can be changed; places are drawn evenly along the files of each folder, each with one of its changes, so a `+` with
eleven stand-ins counts once. A change is held against the tests that ran its lines, then those that ran its module,
quickest first, until one fails. Nothing is left out but what can't matter: a change of annotations or docstrings alone.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from difflib import unified_diff
from functools import cache, partial
from pathlib import Path
from queue import Queue

import parso.python.tree
from cosmic_ray.ast import ast_nodes, get_ast, is_number
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator, operator_names
from coverage import CoverageData

from tests.mutation.recording import CHOSEN, RECORD

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("physics", "inference", "planning", "desk")
"""Of `monitor`, with whatever modules lie in them."""
NOT_RECORDED = ("tests/reliability", "tests/bench", "tests/mutation")
"""Tests that kill processes or measure speed, and see the code from outside."""
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
"""Survivors that nobody could tell from the code as it is, each with its reason."""
KILLED, SURVIVED, SAME = "killed", "survived", "equivalent"


class HalvedOrDoubled(Operator):
    """A number with a point becomes half or twice as large: what a wrong constant looks like."""

    FACTORS = (0.5, 2.0)

    def mutation_positions(self, node):
        if is_number(node) and "." in node.value and float(node.value) != 0.0:
            for _ in self.FACTORS:
                yield (node.start_pos, node.end_pos)

    def mutate(self, node, index):
        return parso.python.tree.Number(f" {float(node.value) * self.FACTORS[index]!r}", node.start_pos)

    @classmethod
    def examples(cls):
        return ()


OPERATORS: dict[str, type[Operator]] = {
    # the other two want to be told which variable
    **{name.partition("/")[2]: op for name in operator_names() if not (op := get_operator(name)).arguments()},
    HalvedOrDoubled.__name__: HalvedOrDoubled,
}


@dataclass(frozen=True)
class Change:
    """One change of one file: so many occurrences of an operator's spots down from its top."""

    file: str
    operator: str
    occurrence: int
    start: tuple[int, int]
    end: tuple[int, int]


@dataclass(frozen=True)
class Found:
    """What became of a change."""

    change: Change
    was: str
    now: str
    outcome: str
    by: str = ""
    """The test that failed, or why the change is equivalent."""
    seconds: float = 0.0

    @property
    def folder(self) -> str:
        return self.change.file.split("/")[1]


@cache
def places_of(file: str) -> list[list[Change]]:
    """Return the changes of a file, those of one place together, in the order of its lines."""
    nodes = list(ast_nodes(get_ast((ROOT / file).read_text())))
    places: dict[tuple[object, object], list[Change]] = defaultdict(list)
    for name, operator in OPERATORS.items():
        spots = [spot for node in nodes for spot in operator().mutation_positions(node)]
        for occurrence, (start, end) in enumerate(spots):
            places[start, end].append(Change(file, name, occurrence, start, end))
    return [places[spot] for spot in sorted(places)]


def drawn(folder: str, count: int, rng: random.Random) -> tuple[list[Change], int]:
    """Return changes of so many places of a folder, evenly along its files, and how many places there are."""
    files = sorted(str(path.relative_to(ROOT)) for path in (ROOT / "monitor" / folder).rglob("*.py"))
    places = [place for file in files for place in places_of(file)]
    step = max(len(places) / max(count, 1), 1.0)
    first = rng.random() * step
    return [rng.choice(places[int(first + k * step)]) for k in range(min(count, len(places)))], len(places)


def meaning_of(code: str) -> str:
    """Return what a module does: without annotations, which nothing evaluates, and docstrings."""
    tree = ast.parse(code)
    if "from __future__ import annotations" not in code:
        return ast.dump(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.arg | ast.AnnAssign):
            node.annotation = ast.Constant(None)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            node.returns = None
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            node.value = ast.Constant(None)
    return ast.dump(tree)


class Tests:
    """Which tests ran a line, from a recording of all of them."""

    def __init__(self, folder: Path, budget_s: float) -> None:
        self._budget_s = budget_s
        self._seconds: dict[str, float] = {}
        for path in folder.glob("record.*.seconds"):
            self._seconds |= json.loads(path.read_text())
        self._by_line: dict[str, dict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
        for recorded in (path for path in folder.glob("record.*") if path.suffix != ".seconds"):
            data = CoverageData(str(recorded))
            data.read()
            for path in data.measured_files():
                file = "monitor/" + path.rpartition("/monitor/")[2]
                if file.split("/")[1] in FOLDERS:
                    for line, names in data.contexts_by_lineno(path).items():
                        self._by_line[file][line] |= self._seconds.keys() & set(names)

    def near(self, change: Change) -> list[str]:
        """Return the tests of a change in the order in which to ask them, as many as the budget of time allows.

        What runs once in a process, as a constant or a cached table does, is ascribed to one test or none: so those of
        the module come after those of the line.
        """
        lines = self._by_line[change.file]
        here = set().union(*(lines[n] for n in range(change.start[0], change.end[0] + 1)))
        order = [*sorted(here, key=self._seconds.__getitem__)]
        order += sorted(set().union(*lines.values()) - here, key=self._seconds.__getitem__)
        left_s, chosen = self._budget_s, []
        for name in order:
            left_s -= self._seconds[name]
            if chosen and left_s < 0.0:
                break
            chosen.append(name)
        return chosen


def recorded(work: Path, workers: int, words: list[str]) -> Path:
    """Return the folder that tells which test runs what; made once for each state of the code."""
    done = work / "recorded"
    if not done.exists():
        print("recording which test runs which line; for all tests some ten minutes on a quiet machine", flush=True)
        ignored = [f"--ignore={folder}" for folder in NOT_RECORDED]
        _, said = asked(
            copied(work / "copy"), [*ignored, "-n", str(workers), "-q", *words], {RECORD: str(work / "record")}, None
        )
        print(said.rstrip().rpartition("\n")[2])
        done.touch()
    return work


def copied(folder: Path) -> Path:
    """Return a folder with the files of the work tree, to be changed at will."""
    names = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    ).stdout.split(b"\0")
    for name in (os.fsdecode(name) for name in names if name):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes((ROOT / name).read_bytes())
    return folder


def asked(copy: Path, words: list[str], told: dict[str, str], within_s: float | None) -> tuple[int, str]:
    """Run pytest in a copy, and return its exit code and what it said; -1 where it took too long."""
    search = os.pathsep.join(filter(None, (str(copy), os.environ.get("PYTHONPATH"))))
    run = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-p", "tests.mutation.recording", "-p", "no:cacheprovider", *words],
        cwd=copy, env={**os.environ, "PYTHONPATH": search, "PYTHONDONTWRITEBYTECODE": "1", **told},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        said, _ = run.communicate(timeout=within_s)
    except subprocess.TimeoutExpired:
        os.killpg(run.pid, signal.SIGKILL)
        run.communicate()
        return -1, ""
    return run.returncode, said


def outcome(copy: Path, names: list[str], budget_s: float) -> tuple[str, str]:
    """Return whether some test fails in a copy, and which."""
    if not names:
        return SURVIVED, "no test runs this module"
    chosen = copy / "chosen.json"
    chosen.write_text(json.dumps(names))
    files = list(dict.fromkeys(name.partition("::")[0] for name in names))
    code, said = asked(
        copy, ["-n0", "-x", "-q", "-rfE", "--tb=no", *files], {CHOSEN: str(chosen)}, 60.0 + 4.0 * budget_s
    )
    if code in {0, 5}:  # 5: none of them is there any more
        return SURVIVED, f"{len(names)} tests passed" if code == 0 else "no test was found"
    failed = next((line for line in said.splitlines() if line.startswith(("FAILED", "ERROR"))), said[-200:])
    return KILLED, "time ran out" if code < 0 else failed.partition(" - ")[0]


def tried(change: Change, copy: Path, tests: Tests, budget_s: float, known: dict[tuple[str, str], str]) -> Found:
    """Make a change in a copy, ask the tests, and take it back."""
    path = copy / change.file
    code = path.read_text()
    changed = mutate_code(code, OPERATORS[change.operator](), change.occurrence)
    lines = list(unified_diff(code.splitlines(), changed.splitlines(), n=0, lineterm=""))[3:]
    was, now = (" ".join(line[1:].strip() for line in lines if line.startswith(sign)) for sign in "-+")
    try:
        same = meaning_of(code) == meaning_of(changed)
    except SyntaxError:
        return Found(change, was, now, SAME, "no Python, so no change that anybody could make")
    if same:
        return Found(change, was, now, SAME, "annotations and docstrings are not run")
    began_s = time.monotonic()
    try:
        path.write_text(changed)
        became, by = outcome(copy, tests.near(change), budget_s)
    finally:
        path.write_text(code)
    if became == SURVIVED and (was, now) in known:
        became, by = SAME, known[was, now]
    return Found(change, was, now, became, by, round(time.monotonic() - began_s, 1))


def with_a_copy(
    copies: Queue[Path], change: Change, tests: Tests, budget_s: float, known: dict[tuple[str, str], str]
) -> Found:
    copy = copies.get()
    try:
        return tried(change, copy, tests, budget_s, known)
    finally:
        copies.put(copy)


def require_sound(copies: Queue[Path], changes: list[Change], tests: Tests, budget_s: float) -> None:
    """Stop where tests fail without any change: they would count as having noticed one."""
    copy = copies.get()
    for folder in FOLDERS:
        some = next((change for change in changes if change.file.split("/")[1] == folder), None)
        became, by = outcome(copy, tests.near(some), budget_s) if some else (SURVIVED, "")
        if became == KILLED:
            sys.exit(f"without any change, the tests near {some} fail: {by}")
    copies.put(copy)


class Kept:
    """What was found, kept in a file from change to change, so that a run may be broken off and taken up."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.by_change: dict[Change, Found] = {}
        for line in path.read_text().splitlines() if path.exists() else ():
            row = json.loads(line)
            change = row.pop("change")
            change |= {"start": tuple(change["start"]), "end": tuple(change["end"])}
            self.by_change[Change(**change)] = Found(Change(**change), **row)

    def keep(self, found: Found) -> None:
        self.by_change[found.change] = found
        with self._path.open("a") as file:
            file.write(json.dumps(asdict(found)) + "\n")


def report(found: list[Found], places: dict[str, int]) -> Iterator[str]:
    """Yield what a person reads: shares by folder and by kind of change, then what survived."""
    groups = [(folder, [f for f in found if f.folder == folder]) for folder in places]
    groups += [("halved or doubled", [f for f in found if f.change.operator == HalvedOrDoubled.__name__])]
    yield "| where | places | tried | equivalent | killed | survived | share killed |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for name, group in [*groups, ("all", found)]:
        counts = Counter(f.outcome for f in group)
        of = counts[KILLED] + counts[SURVIVED]
        share = f"{counts[KILLED] / of:.0%}" if of else "-"
        there = places.get(name, sum(places.values()) if name == "all" else "-")
        yield f"| {name} | {there} | {len(group)} | {counts[SAME]} | {counts[KILLED]} | {counts[SURVIVED]} | {share} |"
    for title, wanted in (("Survived", SURVIVED), ("Equivalent", SAME)):
        yield f"\n{title}:"
        for f in found:
            if f.outcome == wanted:
                yield f"{f.change.file}:{f.change.start[0]} {f.change.operator} ({f.by})\n    - {f.was}\n    + {f.now}"


def known_equivalents() -> dict[tuple[str, str], str]:
    entries = tomllib.loads(EQUIVALENT.read_text()).get("change", [])
    return {(one["was"], one["now"]): one["reason"] for one in entries}


def state_of_code(words: list[str]) -> str:
    """Return a name for the code and the tests as they are: what was recorded or found holds for no other."""
    digest = hashlib.sha256(json.dumps(words).encode())
    for path in sorted([*(ROOT / "monitor").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]):
        digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def sample(count: int, seed: int) -> tuple[list[Change], dict[str, int]]:
    """Return changes of so many places, shared out among the folders by their size, a twentieth to the smallest."""
    places = {folder: drawn(folder, 0, random.Random(seed))[1] for folder in FOLDERS}
    share = {f: max(round(count * number / sum(places.values())), count // 20, 1) for f, number in places.items()}
    return [c for f in FOLDERS for c in drawn(f, share[f], random.Random(f"{seed} {f}"))[0]], places


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=300, help="how many changes to try, in all folders together")
    parser.add_argument("--seed", type=int, default=1, help="another seed draws other places")
    parser.add_argument("--budget", type=float, default=30.0, help="seconds of tests that one change is worth")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="how many changes at a time")
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "siccast-mutation")
    parser.add_argument("--tests", nargs="*", default=[], help="for a trial: know of these tests alone")
    asked_for = parser.parse_args()
    work = asked_for.work / state_of_code(asked_for.tests)
    work.mkdir(parents=True, exist_ok=True)
    tests = Tests(recorded(work, asked_for.workers, asked_for.tests), asked_for.budget)
    changes, places = sample(asked_for.sample, asked_for.seed)
    copies: Queue[Path] = Queue()
    for number in range(asked_for.workers):
        copies.put(copied(work / f"copy{number}"))
    require_sound(copies, changes, tests, asked_for.budget)
    found = Kept(work / "found.jsonl")
    equivalents = known_equivalents()
    with ThreadPoolExecutor(asked_for.workers) as pool:
        new = [change for change in changes if change not in found.by_change]
        random.Random(asked_for.seed).shuffle(new)  # so that a run which is broken off has tried some of each folder
        each = partial(with_a_copy, copies, tests=tests, budget_s=asked_for.budget, known=equivalents)
        for done, one in enumerate(pool.map(each, new), start=1):
            found.keep(one)
            print(
                f"{done}/{len(new)} {one.outcome} {one.change.file}:{one.change.start[0]} {one.seconds} s", flush=True
            )
    print("\n".join(report([found.by_change[change] for change in changes], places)))


if __name__ == "__main__":
    main()
