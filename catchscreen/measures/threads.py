"""Work of shapely in parts on several threads: it frees the interpreter lock. The parts do not depend on the threads.

What shapes keep for later when first asked (a prepared outline, an index) may be made by one thread only: parts either
only read their shapes, or hold all rows of a shape.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any, Final, cast

import numpy as np
import shapely
from numpy.typing import NDArray

from catchscreen.compiled import thread_count

Shapes = NDArray[np.object_]
Ints = NDArray[np.int64]

PARTS: Final = 4
LEAST_ROWS: Final = 512
"""Fewer rows are not worth a thread."""


def run_each(function: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
    """Return what a function gives for each of a few items, in their order; shapes that it prepares are in one only."""
    listed = list(items)
    threads = min(thread_count(), len(listed))
    if threads < 2:
        return [function(item) for item in listed]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, listed))


def by_rows(function: Callable[..., NDArray[Any]], *arrays: NDArray[Any]) -> NDArray[Any]:
    """Join what a function of rows gives for parts of the rows, one after the other.

    The shapes of a row are read only: each may stand in several rows where nothing of it is prepared.
    """
    count = len(arrays[0])
    if count < LEAST_ROWS:
        return function(*arrays)
    for array in arrays:
        if array.dtype == object:
            shapely.bounds(array)  # settles what shapes work out when first asked, before two threads ask at once
    return np.concatenate(run_each(lambda part: function(*(array[part] for array in arrays)), _slices(count)))


def by_shape(function: Callable[[Ints], NDArray[Any]], shapes: Shapes) -> NDArray[Any]:
    """Put together what a function of row numbers gives, rows of one shape, however often it stands, in one part."""
    count = len(shapes)
    if count < LEAST_ROWS:
        return function(np.arange(count))
    part = np.fromiter(map(id, shapes.tolist()), dtype=np.uint64, count=count) // 64 % PARTS
    groups = [rows for rows in (np.flatnonzero(part == number) for number in range(PARTS)) if rows.size]
    found = run_each(function, groups)
    out = np.empty(count, dtype=found[0].dtype)
    for rows, values in zip(groups, found, strict=True):
        out[rows] = values
    return out


def query(tree: shapely.STRtree, shapes: Shapes, predicate: str | None = None, distance: Any = None) -> Ints:
    """Return what ``tree.query`` returns for an array of shapes, no two of them the same object."""
    if len(shapes) < LEAST_ROWS:
        return cast("Ints", tree.query(shapes, predicate=predicate, distance=distance))
    shapely.bounds(shapes)

    def ask(part: slice) -> Ints:
        reach = distance[part] if np.ndim(distance) else distance
        found = tree.query(shapes[part], predicate=predicate, distance=reach)
        return cast("Ints", found + np.array([[part.start], [0]]))

    return np.concatenate(run_each(ask, _slices(len(shapes))), axis=1)


def _slices(count: int) -> list[slice]:
    edges = np.linspace(0, count, PARTS + 1).astype(int)
    return [slice(int(begin), int(end)) for begin, end in pairwise(edges)]
