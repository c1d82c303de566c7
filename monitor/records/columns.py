"""Numbers in a row, as those of a fan day for day: eight bytes each, where a tuple takes thirty-two."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    from typing import Any

    import numpy as np
    from numpy.typing import NDArray


class Column(Sequence[float]):
    """A row of numbers that doesn't change; to whoever reads it a tuple of them, and equal to one.

    >>> column = Column((1.0, 2.5, 3.0))
    >>> column[1], column[1:], column == (1.0, 2.5, 3.0), len(column)
    (2.5, (2.5, 3.0), True, 3)
    """

    __slots__ = ("_held",)

    def __init__(self, values: Iterable[float]) -> None:
        self._held = array("d", values)

    @classmethod
    def of(cls, values: NDArray[np.float64]) -> Column:
        """Return the numbers of an array, all copied at once.

        >>> import numpy as np
        >>> Column.of(np.array([1.0, 2.5]))
        (1.0, 2.5)
        """
        return cls(array("d", values.astype("d", copy=False).tobytes()))

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._held)

    @overload
    def __getitem__(self, place: int) -> float: ...

    @overload
    def __getitem__(self, place: slice) -> tuple[float, ...]: ...

    def __getitem__(self, place: int | slice) -> float | tuple[float, ...]:
        """Return one of them, or some."""
        return tuple(self._held[place]) if isinstance(place, slice) else self._held[place]

    def __iter__(self) -> Iterator[float]:
        """Return each of them in turn."""
        return iter(self._held)

    def __eq__(self, other: object) -> bool:
        """Return whether the other is as long and has the same numbers."""
        if isinstance(other, Column):
            return self._held == other._held
        return tuple(self._held) == other if isinstance(other, tuple) else NotImplemented

    def __hash__(self) -> int:
        """Return the hash of a tuple of them."""
        return hash(tuple(self._held))

    def __repr__(self) -> str:
        """Return it as a tuple is written: digests are made of it."""
        return repr(tuple(self._held))

    def __reduce__(self) -> tuple[type[Column], tuple[array[float]]]:
        """Travel as the numbers' bytes; ``array`` sees to their order."""
        return Column, (self._held,)

    def __array__(self, dtype: Any = None, *, copy: bool | None = None) -> NDArray[np.float64]:
        """Return them for numpy, which may not change them."""
        import numpy as np  # noqa: PLC0415 -- records are read by commands that need none of it

        given = np.frombuffer(memoryview(self._held).toreadonly())
        return given.astype(given.dtype if dtype is None else dtype) if copy or dtype is not None else given
