"""Labels and sums over all cells upstream of some seeds, strip by strip, and what goes from strip to strip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import joints, receivers, upstream
from catchscreen.terrain._kernels.directions import COL_STEP, OUTLET, ROW_STEP
from catchscreen.terrain.strips import Bounds, in_parts, strip_rows

Ints = NDArray[np.int64]
Counts = NDArray[np.int32] | NDArray[np.int64]

_FULL_INT32: Final = 2**31


def cells_with(code: NDArray[np.uint8], wanted: int) -> Ints:
    """Return the framed numbers of the cells with one code, in row order."""

    def listed(first: int, last: int) -> Ints:
        room = max(1 << 10, (last - first) * code.shape[1] // 32)
        while True:
            cell = np.empty(room, dtype=np.int64)
            count = int(receivers.list_code(code, wanted, first, last, cell))
            if count <= room:
                return cell[:count]
            room = count

    return np.concatenate(in_parts(strip_rows(code.shape), listed))


def accumulate(code: NDArray[np.uint8]) -> Counts:
    """Return framed totals (int32 while they fit): cells whose water passes each cell, itself counted; 0 elsewhere."""
    walked = label_and_count(code, cells_with(code, OUTLET))
    carry_down(code, walked.leaving, walked.total, walked.idle, strip_rows(code.shape))
    return walked.total


@dataclass(frozen=True, slots=True)
class Walked:
    """What a walk up from some seeds gives: framed labels and totals of each strip alone.

    leaving : (n,) int64, framed cells whose water goes on in another strip. idle : framed uint8 of zeros.
    """

    label: NDArray[np.int32]
    total: Counts
    leaving: Ints
    idle: NDArray[np.uint8]


def label_from(code: NDArray[np.uint8], seed_cell: Ints) -> NDArray[np.int32]:
    """Return framed labels: the number of the first seed that each cell's water meets; every way must meet one."""
    return label_and_count(code, seed_cell).label


def label_and_count(code: NDArray[np.uint8], seed_cell: Ints) -> Walked:
    """Label all cells by the first seed that their water meets, and add them up down to there, strip by strip."""
    strips = strip_rows(code.shape)
    label = np.empty(code.shape, dtype=np.int32)
    donors = np.empty_like(code)
    total: Counts = np.empty(code.shape, dtype=np.int32 if code.size < _FULL_INT32 else np.int64)

    def prepare(first: int, last: int) -> None:
        upstream.find_donors(code, first, last, donors)
        upstream.start_walk(code, first, last, label, total)

    in_parts(strips, prepare)
    flat_label = label.ravel()
    flat_label[seed_cell] = np.arange(seed_cell.size, dtype=np.int32)
    leaving = cells_leaving(code, strips)
    root = np.concatenate([seed_cell, leaving[flat_label[leaving] < 0]])
    upstream.follow_to_label(code, leaving, label)
    upstream.cut_at(code, root, donors)
    steps = _donor_steps(code.shape[1])

    def walk(first: int, last: int) -> None:
        queue = np.empty((last - first) * code.shape[1] + 8, dtype=np.int32)
        upstream.walk_up(code, donors, root, (first, last), steps, label, total, queue)

    in_parts(strips, walk)
    return Walked(label, total, leaving, donors)


def carry_down(code: NDArray[np.uint8], joint: Ints, total: Counts, pending: NDArray[np.uint8], strips: Bounds) -> None:
    """Add what each joint has to the totals below it, that did not count it; ``pending`` is 0 before and after."""
    room = 2 * code.shape[1]
    joints.mark_joints(code, joint, pending)

    def followed(first: int, last: int) -> Ints:
        crossing = np.empty(room, dtype=np.int64)
        return crossing[: joints.follow_joints(code, joint, (first, last), pending, crossing)]

    joints.follow_crossings(code, np.concatenate(in_parts(strips, followed)), pending)

    def carried(first: int, last: int) -> tuple[Ints, Ints]:
        crossing = (np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64))
        count, _ = joints.carry_from_joints(code, joint, (first, last), pending, total, crossing)
        return crossing[0][:count], crossing[1][:count]

    cell, amount = (np.concatenate(lists) for lists in zip(*in_parts(strips, carried), strict=True))
    joints.carry_crossings(code, (cell, amount), pending, total)


def cells_leaving(code: NDArray[np.uint8], strips: Bounds) -> Ints:
    """Return the framed cells whose water goes from one strip to another."""
    parts = [upstream.list_leaving(code, row - 1 + (way < 0), way) for row, _ in strips[1:] for way in (1, -1)]
    return np.concatenate([*parts, np.empty(0, dtype=np.int64)])


def _donor_steps(width: int) -> tuple[NDArray[np.int32], NDArray[np.uint64]]:
    """Return, for each byte of donors, the steps to them and how many there are."""
    steps = (ROW_STEP * width + COL_STEP)[1:9]
    bits = (np.arange(256)[:, None] >> np.arange(8)) & 1
    order = np.argsort(1 - bits, axis=1, kind="stable")
    offset = np.where(np.take_along_axis(bits, order, axis=1) > 0, steps[order], 0)
    return offset.astype(np.int32).ravel(), bits.sum(axis=1).astype(np.uint64)


def count_inflows(code: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return each cell's code + 16 x the number of neighbours that drain into it."""
    donors = np.empty_like(code)
    in_parts(strip_rows(code.shape), lambda first, last: upstream.find_donors(code, first, last, donors))
    many = _donor_steps(code.shape[1])[1].astype(np.uint8)
    return code + np.uint8(16) * many[donors]
