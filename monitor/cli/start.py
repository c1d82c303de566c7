"""The first lines of the command: Ctrl-C while everything else is still being imported is one line, too."""

import _signal  # type: ignore[import-not-found]  # what `signal` itself imports first takes long enough to be interrupted
import gc
import os
import sys


def main() -> None:
    """Run the command line."""
    if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:  # else somebody wants it ignored
        _signal.signal(_signal.SIGINT, _stop)
    _open_what_is_closed()
    for library in ("OPENBLAS", "OMP"):  # arrays here are small: more threads wait for one another, and take memory
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    gc.disable()  # until all that a command needs is imported (`commands`): none of it is garbage
    from monitor.cli.app import main as run

    try:
        run()
    finally:
        gc.freeze()  # what is left goes with the process, without being looked through once more
        if callable(_signal.getsignal(_signal.SIGINT)):
            _signal.signal(_signal.SIGINT, _signal.SIG_DFL)  # nothing is left that could say a line


def _open_what_is_closed() -> None:
    """Open what a caller closed of standard input and outputs, before a file of ours takes its number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115 -- as long as the process


def _stop(*_: object) -> None:
    """End at once: an exception could be swallowed, or shown, by whatever is half imported."""
    os.write(2, b"siccast: stopped\n")
    os._exit(130)  # exit code, as in `app`: 128 and the number of SIGINT, as shells say it (POSIX)


if __name__ == "__main__":
    main()
