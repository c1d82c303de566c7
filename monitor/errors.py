"""The error tree: one named error a cause, each message naming the thing, the value and what would be right.

SiccastError
├── OutOfRangeError         a number outside the range its equation or contract holds for
├── TooLittleEvidence       an estimate was asked for that the data can't carry
├── SettingsError           the shelf file or the environment can't be used
├── UnusableMessageError    a message from a feed can't be turned into readings
├── FeedError               the broker can't be reached or refuses us
├── RouteError              a message can't be sent by a route for now
│   └── MessageRefusedError ... because this one message was refused; others may go
├── StoreError              the database can't be read or written
│   ├── StoreBusyError      ... for now: another process holds it, or the disk is full; trying again may help
│   ├── OlderStoreError     ... by who only looks, until it is brought up to date
│   └── ShelfHeldError      another listener is at work on the shelf
├── ClusterError            the cluster that was named can't do the work
├── LedgerError             an entry contradicts what the ledger holds
│   └── UnknownNameError    ... or speaks of a lot, charge, run, appliance or number that there isn't
├── UnconfirmedError        what was asked or typed is unlikely or unwise, and nobody has confirmed it yet
├── UnknownBoxError         a box that nobody declared
├── TypedError              what somebody typed can't be understood
├── UnwritableError         a file that was asked for, or the answer itself, can't be written
└── ImportFileError         a file of readings or a recorded set can't be read
"""

NEEDS_THE_PERSON = 3
"""Exit code where something needs the person, beside 0 done, 1 a failure, 2 wrong usage: a judgement, no standard has
one."""


class SiccastError(Exception):
    """Base of every error that siccast raises on purpose; its text is one line fit for a person."""

    exit_code = 1


class OutOfRangeError(SiccastError, ValueError):
    """A number is missing or outside the range that its equation or contract holds for."""


class TooLittleEvidence(SiccastError):  # noqa: N818 -- an answer, not a fault
    """The data can't carry the estimate; the text says what is missing."""


class SettingsError(SiccastError):
    """The shelf file or the environment can't be used."""


class UnusableMessageError(SiccastError):
    """A message from a feed can't be turned into readings."""


class FeedError(SiccastError):
    """The broker can't be reached, or refuses us."""


class RouteError(SiccastError):
    """A message can't be sent by a route: it is not there, refuses us, or gives no answer."""


class MessageRefusedError(RouteError):
    """The route is there, and refused this one message."""


class StoreError(SiccastError):
    """The database can't be read or written."""


class StoreBusyError(StoreError):
    """The database can't be written for now; trying again may help."""


class OlderStoreError(StoreError):
    """The database is of an older siccast, and whoever only looks changes nothing."""


class ShelfHeldError(StoreError):
    """Another listener is at work on the shelf; two would take each other's messages."""


class ClusterError(SiccastError):
    """The cluster that was named can't do the work."""


class LedgerError(SiccastError):
    """An entry contradicts what the ledger holds."""


class UnknownNameError(LedgerError):
    """A lot, a charge, a run, an appliance or a number that there isn't, or isn't any more."""

    exit_code = 2  # somebody named it, so it is the wrong usage


class UnconfirmedError(SiccastError):
    """What was asked or typed is unlikely or unwise; nothing was kept, and the same again with a yes would be."""

    exit_code = NEEDS_THE_PERSON


class UnknownBoxError(SiccastError):
    """A box that nobody declared."""

    exit_code = 2  # somebody named it, so it is the wrong usage


class UnwritableError(SiccastError):
    """A file that was asked for, or the answer itself, can't be written."""


class ImportFileError(SiccastError):
    """A file of readings or a recorded set can't be read."""


class TypedError(SiccastError):
    """What somebody typed can't be understood; the text says how to write it, ``field`` where that was."""

    exit_code = 2

    def __init__(self, message: str, *, field: str = "") -> None:
        super().__init__(message)
        self.field = field
