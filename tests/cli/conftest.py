"""The shelf that every test of this folder asks about."""

from command_line import run, siccast, site, stub

__all__ = ["run", "siccast", "site", "stub"]
