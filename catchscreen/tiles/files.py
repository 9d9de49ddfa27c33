"""Files of a work folder: plain values one after the other. What is read is copied, no file stays open or mapped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


class CellFile:
    """Values of one kind in a new file, zero at first, read and written in stretches."""

    def __init__(self, path: Path, size_bytes: int = 0) -> None:
        self.path = path
        with path.open("wb") as file:
            file.truncate(size_bytes)

    def read(self, first: int, count: int, dtype: np.dtype[Any]) -> NDArray[Any]:
        """Return a stretch of values."""
        values = np.empty(count, dtype=dtype)
        with self.path.open("rb", buffering=0) as file:
            file.seek(first * dtype.itemsize)
            file.readinto(values.data)
        return values

    def write(self, first: int, values: NDArray[Any]) -> None:
        """Write a stretch of values."""
        with self.path.open("r+b", buffering=0) as file:
            file.seek(first * values.dtype.itemsize)
            file.write(np.ascontiguousarray(values).data)

    def remove(self) -> None:
        """Delete the file."""
        self.path.unlink(missing_ok=True)


def write_arrays(path: Path, arrays: tuple[NDArray[Any], ...]) -> None:
    """Write some arrays of one dimension one after the other, their kinds and sizes first."""
    head = np.zeros(len(arrays) + 1, dtype=[("kind", "S8"), ("size", np.int64)])
    head[0]["size"] = len(arrays)
    for place, array in enumerate(arrays):
        head[place + 1] = (array.dtype.str.encode(), array.size)
    with path.open("wb") as file:
        file.write(head.tobytes())
        for array in arrays:
            file.write(np.ascontiguousarray(array).data)


def read_arrays(path: Path) -> tuple[NDArray[Any], ...]:
    """Return the arrays that a file holds."""
    head_kind = np.dtype([("kind", "S8"), ("size", np.int64)])
    with path.open("rb") as file:
        count = np.frombuffer(file.read(head_kind.itemsize), dtype=head_kind)["size"][0]
        head = np.frombuffer(file.read(head_kind.itemsize * int(count)), dtype=head_kind)
        arrays = tuple(np.empty(int(entry["size"]), dtype=entry["kind"].decode()) for entry in head)
        for array in arrays:
            file.readinto(array.data)
    return arrays
