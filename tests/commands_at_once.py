"""Commands at once, in processes of their own over one shelf: for tests of what happens between two of them."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

OFFSETS_S = (0.0, 0.002, 0.005, 0.01, 0.02, 0.05)
"""By how much the second begins later: a command's own work takes some ten milliseconds, so its parts meet in any
order."""

_PROGRAM = """
import json, sys, time
from typer.testing import CliRunner
from monitor.cli.app import app
for line in sys.stdin:
    words, later_s = json.loads(line)
    time.sleep(later_s)
    done = CliRunner().invoke(app, words, standalone_mode=False)
    error = done.exception
    if error is None or isinstance(error, SystemExit):
        code, said = done.exit_code or done.return_value or 0, done.output
    else:
        code, said = getattr(error, "exit_code", 1), f"{type(error).__name__}: {error}"
    print(json.dumps([code, said]), flush=True)
"""
"""Imports all there is, and then runs a command for each line that it is given."""


@dataclass(frozen=True)
class Done:
    """What became of a command."""

    code: int
    said: str
    """Where it was refused, the name of the error and its line."""


class Face:
    """A process that runs one command of siccast after another."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _PROGRAM],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )

    def begin(self, folder: Path, *words: str, later_s: float = 0.0) -> None:
        """Begin a command over a shelf, without waiting for its end."""
        stdin = self._process.stdin
        assert stdin is not None
        stdin.write(json.dumps([["--shelf", str(folder), *words], later_s]) + "\n")
        stdin.flush()

    def end(self) -> Done:
        """Wait for the command, and return what became of it."""
        assert self._process.stdout is not None
        return Done(*json.loads(self._process.stdout.readline()))

    def run(self, folder: Path, *words: str) -> Done:
        """Run a command to its end."""
        self.begin(folder, *words)
        return self.end()

    def leave(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.communicate()


@contextmanager
def faces(count: int = 2) -> Iterator[Sequence[Face]]:
    """Start so many processes that wait for commands."""
    started = [Face() for _ in range(count)]
    try:
        yield started
    finally:
        for face in started:
            face.leave()


def at_once(processes: Sequence[Face], folder: Path, *commands: Sequence[str], later_s: float = 0.0) -> list[Done]:
    """Run one command in each process, each a little later than the one before; return what became of them."""
    begun = list(zip(processes, commands, strict=False))
    for place, (face, words) in enumerate(begun):
        face.begin(folder, *words, later_s=place * later_s)
    return [face.end() for face, _ in begun]
