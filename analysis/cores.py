"""Work shared out to the processor's cores: kernels and large arrays run outside Python's lock."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Thing = TypeVar("Thing")
Found = TypeVar("Found")

THREADS = 2  # at once


def shared_out(function: Callable[[Thing], Found], things: Iterable[Thing]) -> Iterator[Found]:
    """What a function makes of each thing, in their order; while it is waited for, the next ones are under way."""
    with ThreadPoolExecutor(THREADS) as pool:
        yield from pool.map(function, things)


def both(one: Callable[[], Thing], other: Callable[[], Found]) -> tuple[Thing, Found]:
    """What two calls give, made at once."""
    with ThreadPoolExecutor(1) as pool:
        begun = pool.submit(one)
        found = other()
        return begun.result(), found
