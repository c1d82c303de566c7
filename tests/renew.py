"""`python -m tests.renew [name …]`: keep the pinned numbers and words as they are now, after a wanted change.

Names are those of `tests/inference/test_pinned_*.py`, `physics` and `runs`; all of them where none is given. Look at
the difference before it is committed: only what the change is about should have moved, and the commit says why.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).parent
BY_THEMSELVES = {"physics": "tests.physics.test_pinned", "runs": "tests.desk.test_told_of_runs"}


def main() -> None:
    sys.path.insert(0, str(HERE))
    inference = (path.stem.removeprefix("test_pinned_") for path in HERE.glob("inference/test_pinned_*.py"))
    keep = importlib.import_module("pinned").keep
    for name in sys.argv[1:] or sorted({*inference, *BY_THEMSELVES}):
        if name in BY_THEMSELVES:
            importlib.import_module(BY_THEMSELVES[name]).renew()
        else:
            keep(name, importlib.import_module(f"tests.inference.test_pinned_{name}").CASES)


if __name__ == "__main__":
    main()
