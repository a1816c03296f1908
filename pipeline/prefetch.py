"""Making the next item while the present one is worked on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_T = TypeVar("_T")


def prefetch(items: Iterable[_T]) -> Iterator[_T]:
    """The same items in the same order, each made one ahead in a thread of its own.

    What making an item raises is raised where it would have been given.
    """
    source = iter(items)
    end = object()
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="prefetch") as pool:
        ahead = pool.submit(next, source, end)
        while (item := ahead.result()) is not end:
            ahead = pool.submit(next, source, end)
            yield item  # type: ignore[misc]  # end is no item
