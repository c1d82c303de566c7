"""Reads the published tables beside this module."""

from __future__ import annotations

import csv
from pathlib import Path

TABLES = Path(__file__).parent / "tables"


def published(name: str) -> list[dict[str, str]]:
    with (TABLES / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
