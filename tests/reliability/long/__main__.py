"""`python -m tests.reliability.long [words for pytest]`: the runs that take minutes, outside the ordinary suite."""

import sys
from pathlib import Path

import pytest

if __name__ == "__main__":
    here = str(Path(__file__).resolve().parent)
    options = ["-o", "addopts=--import-mode=importlib -ra -s", "-o", "timeout=3600", "-v", "--durations=0"]
    sys.exit(pytest.main([*options, here, *sys.argv[1:]]))
