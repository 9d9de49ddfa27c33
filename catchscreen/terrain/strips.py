"""Work in strips of rows, on several threads.

How a ground is cut depends on its size alone, and what the strips give is put together in their order: so the number
of threads changes nothing. The kernels are plain ones that let go of the interpreter's lock, because compiling
parallel loops takes several times as long.
"""

from __future__ import annotations

import functools
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Final, TypeVar

from catchscreen.terrain._kernels.threads import get_num_threads

Bounds = list[tuple[int, int]]

_WORTH_A_THREAD: Final = 1 << 17
_MOST_CELLS: Final = 1 << 30
"""Within a strip cells are numbered in 32 bits."""

_LEAST_ROWS: Final = 16

_Part = TypeVar("_Part")
_Other = TypeVar("_Other")


def strip_rows(shape: tuple[int, int]) -> Bounds:
    """Return the first row of each strip and the row after its last."""
    height, width = shape
    cells = height * width
    wanted = 1 if cells < _WORTH_A_THREAD else 2 if cells < 1 << 22 else 4 if cells < 1 << 25 else 8
    number = max(min(wanted, height // _LEAST_ROWS), -(-cells // _MOST_CELLS), 1)
    return [(height * strip // number, height * (strip + 1) // number) for strip in range(number)]


def parts_of(size: int, most: int = 8) -> Bounds:
    """Return the parts of a list of some length, likewise."""
    number = 1 if size < _WORTH_A_THREAD else most
    return [(size * part // number, size * (part + 1) // number) for part in range(number)]


def in_parts(bounds: Bounds, work: Callable[[int, int], _Part]) -> list[_Part]:
    """Return what ``work`` gives for each part, in order; several threads at once where there are several.

    The caller works as well, and waits for nobody who has not begun: so calls from within parts cannot lock each other.
    """
    threads = min(int(get_num_threads()), len(bounds))
    if threads == 1:
        return [work(first, last) for first, last in bounds]
    waiting = deque(enumerate(bounds))
    done: dict[int, _Part] = {}

    def take() -> None:
        while True:
            try:
                number, part = waiting.popleft()
            except IndexError:
                return
            done[number] = work(*part)

    helpers = [_helpers(threads - 1).submit(take) for _ in range(threads - 1)]
    try:
        take()
    finally:
        waiting.clear()
        begun = [helper for helper in helpers if not helper.cancel()]
        wait(begun)
    for helper in begun:
        helper.result()
    return [done[number] for number in range(len(bounds))]


def at_once(one: Callable[[], _Part], other: Callable[[], _Other]) -> tuple[_Part, _Other]:
    """Return what two pieces of work give that touch nothing in common, done at once where there are threads.

    The first may be cut into parts: who is done with the second helps with those. The second is done by one thread.
    """
    first: list[_Part] = []
    second: list[_Other] = []
    works = (lambda: first.append(one()), lambda: second.append(other()))
    in_parts([(0, 1), (1, 2)], lambda number, _: works[number]())
    return first[0], second[0]


@functools.cache
def _helpers(threads: int) -> ThreadPoolExecutor:
    """Return threads that stay, since starting them anew takes longer than many a part."""
    return ThreadPoolExecutor(threads, thread_name_prefix="catchscreen-strip")
