"""Eight numbers written as one piece: the compiler is told so, because it does not find out by itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import types
from numba.extending import intrinsic, overload
from numpy.typing import NDArray

_EIGHT = ir.VectorType(ir.IntType(32), 8)
_ALIGNED = 4


def append_sums(
    queue: NDArray[np.int32], end: np.uint64, number: np.int32, step: NDArray[np.int32], first: np.uint64
) -> None:
    """Write a number plus each of the eight steps from ``first`` on into the queue, from ``end`` on."""
    queue[end : end + np.uint64(8)] = number + step[first : first + np.uint64(8)]


def append_copies(queue: NDArray[np.int32], end: np.uint64, number: np.int32) -> None:
    """Write a number into the queue eight times, from ``end`` on."""
    queue[end : end + np.uint64(8)] = number


def _piece(context: Any, builder: Any, kind: Any, array: Any, first: Any) -> Any:
    """Return the address of eight numbers in an array."""
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [first]), _EIGHT.as_pointer())


def _in_all(builder: Any, number: Any) -> Any:
    """Return eight times the same number."""
    one = builder.insert_element(ir.Constant(_EIGHT, ir.Undefined), number, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(one, ir.Constant(_EIGHT, ir.Undefined), ir.Constant(_EIGHT, [0] * 8))


@intrinsic  # type: ignore[untyped-decorator]
def _sums(_: Any, queue: Any, end: Any, number: Any, step: Any, first: Any) -> Any:
    """Compile ``append_sums``."""

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        source = builder.load(_piece(context, builder, signature.args[3], given[3], given[4]), align=_ALIGNED)
        target = _piece(context, builder, signature.args[0], given[0], given[1])
        builder.store(builder.add(source, _in_all(builder, given[2])), target, align=_ALIGNED)
        return context.get_dummy_value()

    return types.void(queue, end, number, step, first), generate


@intrinsic  # type: ignore[untyped-decorator]
def _copies(_: Any, queue: Any, end: Any, number: Any) -> Any:
    """Compile ``append_copies``."""

    def generate(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        target = _piece(context, builder, signature.args[0], given[0], given[1])
        builder.store(_in_all(builder, given[2]), target, align=_ALIGNED)
        return context.get_dummy_value()

    return types.void(queue, end, number), generate


@overload(append_sums)  # type: ignore[untyped-decorator]
def _compile_sums(queue: Any, end: Any, number: Any, step: Any, first: Any) -> Callable[..., None]:  # noqa: ARG001
    """Give the compiler ``append_sums``."""

    def compiled(queue: Any, end: Any, number: Any, step: Any, first: Any) -> None:
        _sums(queue, end, number, step, first)

    return compiled


@overload(append_copies)  # type: ignore[untyped-decorator]
def _compile_copies(queue: Any, end: Any, number: Any) -> Callable[..., None]:  # noqa: ARG001
    """Give the compiler ``append_copies``."""

    def compiled(queue: Any, end: Any, number: Any) -> None:
        _copies(queue, end, number)

    return compiled
