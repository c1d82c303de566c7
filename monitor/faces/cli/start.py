"""The first lines of the command: Ctrl-C while everything else is still being imported is one line, too."""

from __future__ import annotations

import os
import signal
from typing import NoReturn


def main() -> None:
    """Run the command line."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else somebody wants it ignored
        signal.signal(signal.SIGINT, _stop)
    from monitor.faces.cli.app import main as run

    try:
        run()
    finally:
        if callable(signal.getsignal(signal.SIGINT)):
            signal.signal(signal.SIGINT, signal.SIG_DFL)  # nothing is left that could say a line


def _stop(*_: object) -> NoReturn:
    """End at once: an exception could be swallowed, or shown, by whatever is half imported."""
    os.write(2, b"siccast: stopped\n")
    os._exit(130)


if __name__ == "__main__":
    main()
