"""A column of numbers is a tuple of them to whoever reads it, and travels as itself."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.records import Column
from monitor.services.packing import packed, unpacked

NUMBERS = st.lists(st.floats(allow_nan=False), max_size=20).map(tuple)


@given(NUMBERS, st.slices(20))
def test_it_is_a_tuple_of_its_numbers_to_the_bit(numbers: tuple[float, ...], some: slice) -> None:
    column = Column(numbers)
    assert (column, len(column), repr(column)) == (numbers, len(numbers), repr(numbers))
    assert numbers == column
    assert hash(column) == hash(numbers)
    assert repr(column[some]) == repr(numbers[some])
    assert list(map(math.copysign, (1.0,) * len(numbers), column)) == [math.copysign(1.0, one) for one in numbers]


@given(NUMBERS)
def test_it_comes_back_as_it_was_kept(numbers: tuple[float, ...]) -> None:
    for again in (unpacked(packed(Column(numbers)), Column), pickle.loads(pickle.dumps(Column(numbers)))):
        assert repr(again) == repr(numbers)


def test_others_are_not_equal() -> None:
    assert Column((1.0, 2.0)) != Column((1.0, 3.0))
    assert Column((1.0, 2.0)) != (1.0,)
    assert Column((1.0, 2.0)) != [1.0, 2.0]


def test_nobody_changes_it() -> None:
    column = Column((1.0, 2.0))
    with pytest.raises(TypeError):
        column[0] = 3.0  # type: ignore[index]
    with pytest.raises(ValueError, match="read-only"):
        np.asarray(column)[0] = 3.0
    copied = np.array(column)
    copied[0] = 3.0
    assert column == (1.0, 2.0)
