"""A clock that a test moves on, in place of the one that faces read."""

from __future__ import annotations

import pkgutil
import sys
from datetime import UTC, datetime, timedelta, tzinfo
from importlib import import_module
from typing import Any

import pytest

import monitor.cli
from monitor.presentation import clock


class MovedClock:
    """What time it is for every command that runs within this process."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def pass_time(self, span: timedelta) -> None:
        self.now += span

    def stand_in(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Take the place of the machine's clock in each module of the command line."""
        moved = self

        class IsDatetime(type):
            def __instancecheck__(cls, instance: object) -> bool:
                return isinstance(instance, datetime)

        class Moved(datetime, metaclass=IsDatetime):
            def __new__(cls, *told: Any, **named: Any) -> Any:
                return datetime(*told, **named)  # noqa: DTZ001 -- as whoever calls it says

            @classmethod
            def now(cls, tz: tzinfo | None = None) -> Any:
                return moved.now.astimezone(tz or UTC)

        for found in pkgutil.walk_packages(monitor.cli.__path__, "monitor.cli."):
            import_module(found.name)
        for name, module in list(sys.modules.items()):
            if (name == clock.__name__ or name.startswith("monitor.cli")) and getattr(
                module, "datetime", 0
            ) is datetime:
                monkeypatch.setattr(module, "datetime", Moved)
