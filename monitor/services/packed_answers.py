"""The answer of a box, packed as it is kept: made where it was worked out, and it travels as these."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Self

from monitor.inference import Fitted, LastFit, Teaching
from monitor.records import Outlook
from monitor.services.packing import packed, unpacked

_AS_LONG_AS_IT_IS = 0
"""Level of zlib. [no unit] Measured: of fits 1.3 ms a box are saved, and 90 kB kept instead of 55; of answers 0.3 ms
when they are made and 0.1 at each look, and 22 kB kept instead of 12."""


@dataclass(frozen=True, eq=False)
class PackedAnswer(Fitted):
    """What was found of a box, with what is kept of it; after a journey its fit is there as bytes only."""

    answer: bytes = b""
    """Its outlook."""
    kept_teaching: bytes = b""
    """What it learned, and can teach."""
    fit: bytes | None = None
    """Of now; None where there is none, or the one before is still what updates start from."""
    fitted_until_s: float | None = None
    """When updates start from; None where there is no fit. [s since 1970 UTC]"""

    @classmethod
    def of(cls, found: Fitted, as_of_s: float) -> Self:
        """Pack what was found at an instant."""
        last_fit = found.last_fit
        until_s = None if last_fit is None else last_fit.posterior.now_s
        return cls(
            found.outlook,
            found.teaching,
            last_fit,
            packed(replace(found.outlook, forecast_if=None), _AS_LONG_AS_IT_IS),
            packed(found.teaching, _AS_LONG_AS_IT_IS),
            packed(last_fit, _AS_LONG_AS_IT_IS) if until_s == as_of_s else None,
            until_s,
        )

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel as bytes."""
        return _arrived, (self.answer, self.kept_teaching, self.fit, self.fitted_until_s)


@dataclass(frozen=True)
class PackedAt:
    """Packs what is found at an instant."""

    as_of_s: float
    """[s since 1970 UTC]"""

    def __call__(self, found: Fitted) -> PackedAnswer:
        """Return what was found, packed."""
        return PackedAnswer.of(found, self.as_of_s)


def last_fit_of(fit: bytes | None) -> LastFit | None:
    """Return a fit from its bytes; None where there is none, or it is damaged."""
    return unpacked(fit, LastFit)


def _arrived(answer: bytes, kept_teaching: bytes, fit: bytes | None, fitted_until_s: float | None) -> PackedAnswer:
    outlook, teaching = unpacked(answer, Outlook), unpacked(kept_teaching, Teaching)
    assert outlook is not None
    assert teaching is not None
    return PackedAnswer(outlook, teaching, None, answer, kept_teaching, fit, fitted_until_s)
