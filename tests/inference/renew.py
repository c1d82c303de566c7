"""`python -m tests.inference.renew [module …]`: keep what the pinned cases find, after a wanted change of the model.

Look at the difference before it is committed: only what the change is about should have moved, and the commit says why.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).parent


def main() -> None:
    sys.path.insert(0, str(HERE.parent))
    names = sys.argv[1:] or sorted(path.stem.removeprefix("test_pinned_") for path in HERE.glob("test_pinned_*.py"))
    keep = importlib.import_module("pinned").keep
    for name in names:
        keep(name, importlib.import_module(f"tests.inference.test_pinned_{name}").CASES)


if __name__ == "__main__":
    main()
