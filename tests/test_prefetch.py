"""Items made one ahead: the same ones, in order, with their exceptions, and no more than one."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from pipeline.prefetch import prefetch


@pytest.mark.parametrize("count", [0, 1, 2, 50])
def test_the_same_items_in_the_same_order(count: int) -> None:
    assert list(prefetch(range(count))) == list(range(count))
    assert list(prefetch(iter([None] * count))) == [None] * count


def test_one_item_is_made_ahead_and_no_more() -> None:
    made: list[int] = []
    second = threading.Event()

    def items() -> Iterator[int]:
        for k in range(10):
            made.append(k)
            if k == 1:
                second.set()
            yield k

    ahead = prefetch(items())
    assert made == []  # nothing before it is asked for
    assert next(ahead) == 0
    assert second.wait(10)  # the next one is being made while this one is worked on
    assert made == [0, 1]
    assert list(ahead) == list(range(1, 10))


def test_items_are_made_in_another_thread() -> None:
    (name,) = prefetch(threading.current_thread().name for _ in range(1))
    assert name.startswith("prefetch")


def test_what_making_an_item_raises_comes_where_the_item_would_have() -> None:
    def items() -> Iterator[int]:
        yield 1
        yield 2
        raise ValueError("the third can't be made")

    ahead = prefetch(items())
    assert [next(ahead), next(ahead)] == [1, 2]
    with pytest.raises(ValueError, match="the third"):
        next(ahead)


def test_stopping_early_leaves_no_thread() -> None:
    before = threading.active_count()
    ahead = prefetch(iter(range(100)))
    next(ahead)
    ahead.close()  # type: ignore[attr-defined]
    assert threading.active_count() == before
