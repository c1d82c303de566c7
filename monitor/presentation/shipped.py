"""Where the folders that ship beside the package are: in a checkout next to it, in an installed wheel inside it."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped(name: str) -> Path:
    """Return the folder of this name: 'dashboards' or 'demo_feeds'.

    Raises
    ------
    FileNotFoundError
        When neither place has it, so that the installation is incomplete.
    """
    for place in (_PACKAGE / "_shipped" / name, _PACKAGE.parent / name):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"the folder '{name}' did not come with siccast; install it again")
