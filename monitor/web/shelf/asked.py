"""What a person asked the shelf to show: how densely, which boxes, and grouped by what."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from monitor.records.names import LONGEST_NAME

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from typing import TypeVar

    _Choice = TypeVar("_Choice", bound=StrEnum)


class Density(StrEnum):
    """How much room a box gets."""

    columns = "columns"
    rows = "rows"


class Kind(StrEnum):
    """Which boxes are asked for, by what they are like now."""

    every = ""
    over = "over"
    due = "due"
    care = "care"
    """A seal, a sensor, a battery or an entry needs a look."""
    unsure = "unsure"
    within = "within"


class GroupBy(StrEnum):
    """What boxes are grouped by."""

    nothing = ""
    room = "room"
    material = "material"


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address of the page says."""

    density: Density | None = None
    """None where the address leaves it open."""
    kind: Kind = Kind.every
    find: str = ""
    """A part of a name."""
    by: GroupBy = GroupBy.nothing

    @classmethod
    def of(cls, told: Mapping[str, str]) -> Asked:
        """Return what was asked; words that mean nothing here ask nothing."""
        return cls(
            density=_choice(Density, told.get("view")),
            kind=_choice(Kind, told.get("state")) or Kind.every,
            find=told.get("q", "").strip()[:LONGEST_NAME],
            by=_choice(GroupBy, told.get("by")) or GroupBy.nothing,
        )

    @property
    def is_narrowed(self) -> bool:
        """Whether some boxes may be left out."""
        return bool(self.find) or self.kind is not Kind.every

    def address(self, density: Density) -> str:
        """Return the address of the same, as densely as that."""
        told = {"view": density, "state": self.kind, "q": self.find, "by": self.by}
        return f"/?{urlencode({name: value for name, value in told.items() if value})}"

    def wants(self, name: str, kinds: Collection[Kind]) -> bool:
        """Return whether a box of this name and these kinds was asked for."""
        return self.find.casefold() in name.casefold() and (self.kind is Kind.every or self.kind in kinds)


def _choice(kind: type[_Choice], told: str | None) -> _Choice | None:
    return kind(told) if told is not None and told in set(kind) else None
