"""The shelf that every test of this folder asks about, and the browser it is looked at with."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import jinja2
import pytest
from browsing import Looks, chromium
from command_line import run, siccast, site, stub
from desk_on_page import Hand, at_the_desk
from jinja2.bccache import Bucket
from playwright.sync_api import Browser

from monitor.presentation.texts import Texts
from monitor.web import rendering, snapshot

__all__ = ["run", "siccast", "site", "stub"]


class CompiledTemplates(jinja2.BytecodeCache):
    """Templates compiled for one server, for the next: to compile them takes longer than most of what is asked."""

    def __init__(self) -> None:
        self._compiled: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        if compiled := self._compiled.get(bucket.key):
            bucket.bytecode_from_string(compiled)

    def dump_bytecode(self, bucket: Bucket) -> None:
        self._compiled[bucket.key] = bucket.bytecode_to_string()


@pytest.fixture(scope="session", autouse=True)
def compiled_templates() -> Iterator[None]:
    """Compile every template once for all servers of this process."""
    compiled, usual = CompiledTemplates(), rendering._templates

    def templates(texts: Texts) -> jinja2.Environment:
        environment = usual(texts)
        environment.bytecode_cache = compiled
        return environment

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rendering, "_templates", templates)
        yield


@pytest.fixture(scope="session", autouse=True)
def patient_answers() -> Iterator[None]:
    """Let the answer to a deed wait until pages have it, however busy the machine: a test asks for the next at once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(snapshot, "_PATIENCE_S", 60.0)
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real browser; a module has its own, since its loop would stand in the way of tests that run one."""
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def looks(browser: Browser) -> Iterator[Looks]:
    """Pages that are only looked at, one after another."""
    with ExitStack() as closed_at_the_end:
        yield Looks(browser, closed_at_the_end)


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[Hand]:
    """Serve a desk of its own to a test."""
    with at_the_desk(tmp_path) as hand:
        yield hand
