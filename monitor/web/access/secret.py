"""What the page of a shelf keeps secret: the key that signs sessions and forms, and the hash of its password.

It lies beside the shelf file, readable by its owner alone, and not in the database, which people copy and hand on.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from contextlib import nullcontext, suppress
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING

from monitor.errors import SettingsError
from monitor.named_files import remedy
from monitor.settings.shelf_append import taking_turns

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from pathlib import Path

SECRET_FILE = "page.secret"
_KEY_BYTES = 32  # as long as the digest (RFC 2104, section 3)
_MOST_ENDED = 500  # a count; judgement: a household signs out less often in a month


def _new_key() -> str:
    return secrets.token_hex(_KEY_BYTES)


@dataclass(frozen=True, slots=True)
class Secret:
    """The key, the password and which sessions were ended before their time.

    Another password comes with another key, which ends all sessions.
    """

    key: str = field(default_factory=_new_key)
    password_hash: str = ""
    """Empty where there is no password."""
    asked_here: bool = False
    """Whether the password is asked for on this machine too."""
    ended: dict[str, int] = field(default_factory=dict)
    """Sessions that were signed out, each with the second at which it would have ended by itself."""
    renewed: dict[str, int] = field(default_factory=dict)
    """How often the key of an address was made anew."""

    def sign(self, purpose: str, text: str) -> str:
        """Return what only the holder of the key can say about a text."""
        return hmac.new(self.key.encode(), f"{purpose}\n{text}".encode(), hashlib.sha256).hexdigest()

    def key_of(self, path: str) -> str:
        """Return what a program brings along that can't sign in, to read one address."""
        times = self.renewed.get(path, 0)
        return self.sign("feed", f"{path}\n{times}" if times else path)

    def with_another_key_of(self, path: str) -> Secret:
        """Return the secret under which the key of an address holds no more."""
        return replace(self, renewed={**self.renewed, path: self.renewed.get(path, 0) + 1})

    def without_session(self, session: str, until_s: int, now_s: float) -> Secret:
        """Return the secret under which a session holds no more."""
        still = {name: until for name, until in self.ended.items() if until > now_s}
        kept = list({**still, session: until_s}.items())[-_MOST_ENDED:]
        return replace(self, ended=dict(kept))


class SecretFile:
    """The secret as its file says, read anew after it was changed; without a file it lasts as long as the process."""

    def __init__(self, folder: Path | None = None) -> None:
        self._path = folder / SECRET_FILE if folder else None
        self._secret = Secret()
        self._stamp: tuple[object, ...] | None = ("not read yet",) if folder else None

    @property
    def now(self) -> Secret:
        """Return the secret as it is now; where the file is gone or damaged, one that nobody has a session of."""
        if (stamp := self._seen()) != self._stamp:
            read = Secret()
            with suppress(SettingsError):
                read = self.read()
            self._secret, self._stamp = read, stamp
        return self._secret

    def read(self) -> Secret:
        """Return the secret of the file; a new one where there is no file.

        Raises
        ------
        SettingsError
            Where the file can't be read, or others may read it.
        """
        assert self._path is not None
        if not self._path.exists():
            return Secret()
        try:
            if os.name == "posix" and self._path.stat().st_mode & 0o077:
                raise SettingsError(f"others may read {self._path}. Run `chmod 600 {self._path}`")
            return Secret(**json.loads(self._path.read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError) as error:
            raise SettingsError(
                f"can't read {self._path}: {error}. Delete it and run `siccast page-password` again"
            ) from error

    def keep(self, secret: Secret) -> None:
        """Write the file, whole or not at all, for its owner alone.

        Raises
        ------
        SettingsError
            Where it can't be written.
        """
        with self._alone():
            self._write(secret)

    def change(self, change: Callable[[Secret], Secret]) -> None:
        """Keep what the secret of now becomes; what another device or command changes meanwhile stays.

        Raises
        ------
        SettingsError
            Where it can't be written.
        """
        with self._alone():
            self._write(change(self.now))

    def _alone(self) -> AbstractContextManager[None]:
        """Let nobody else change the file in the body."""
        return nullcontext() if self._path is None else taking_turns(self._path.parent)

    def _write(self, secret: Secret) -> None:
        self._secret = secret
        if self._path is None:
            return
        beside = self._path.with_name(f"{SECRET_FILE}.{secrets.token_hex(4)}")  # bytes; judgement: none is met twice
        try:
            with os.fdopen(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w") as file:
                json.dump(asdict(secret), file)
            beside.replace(self._path)
        except OSError as error:
            helps = remedy(error, "Make its folder writable")
            raise SettingsError(f"can't write {self._path}: {error.strerror}. {helps}") from error
        finally:
            beside.unlink(missing_ok=True)
        self._stamp = self._seen()

    def begin(self) -> None:
        """Make the file where there is none, so that open pages stay good when the server is started again.

        In a folder that can't be written, the secret lasts as long as the process.
        """
        with suppress(SettingsError):
            self.lasting()

    def lasting(self) -> Secret:
        """Return the secret of the file, which is made where there is none.

        Raises
        ------
        SettingsError
            Where it can't be read, or can't be made: what it signs would open nothing later.
        """
        if self._path is None:
            return self._secret
        if not self._path.exists():
            with self._alone():
                if not self._path.exists():  # nobody was quicker
                    self._write(self._secret)
        return self.read()

    def _seen(self) -> tuple[object, ...] | None:
        if self._path is None:
            return None
        try:
            state = self._path.stat()
        except OSError:
            return None
        return state.st_mtime_ns, state.st_size, state.st_ino
