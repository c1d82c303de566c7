"""The shelf that every test of this folder asks about."""

from shelf_fixtures import run, siccast, site, stub

__all__ = ["run", "siccast", "site", "stub"]
