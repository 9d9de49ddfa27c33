"""Labels and sums over all cells upstream of some seeds, strip by strip, and what goes from strip to strip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.terrain._kernels import blocks, joints, receivers, upstream
from catchscreen.terrain._kernels.directions import (
    COL_STEP,
    OPPOSITE,
    OUTLET,
    ROW_STEP,
)
from catchscreen.terrain.strips import Bounds, in_parts, parts_of, strip_rows

Ints = NDArray[np.int64]
Counts = NDArray[np.int32] | NDArray[np.int64]
Chains = tuple[NDArray[np.int32], NDArray[np.int32]]

_FULL_INT32: Final = 2**31


def steps_of(width: int) -> Ints:
    """Return the cells from a cell to its neighbour in each direction, in a ground of some width; 0 for direction 0."""
    return (ROW_STEP * width + COL_STEP)[:9]


def cells_with(code: NDArray[np.uint8], wanted: int) -> Ints:
    """Return the framed numbers of the cells with one code, in row order."""
    flat = code.ravel()
    found = in_parts(parts_of(code.size), lambda first, last: np.flatnonzero(flat[first:last] == wanted) + first)
    return np.concatenate(found)


def cells_without_way(code: NDArray[np.uint8]) -> Ints:
    """Return the framed numbers of the ground cells that go to no neighbour, in row order."""
    flat = code.ravel()
    words = flat[: code.size // 8 * 8].view(np.uint64)

    def listed(first: int, last: int) -> Ints:
        # Eight places for each word with such a cell, most of them never written: that costs address space only.
        cells = np.empty(8 * receivers.count_odd_words(words[first:last]) + 8, dtype=np.int64)
        return cells[: receivers.list_without_way(flat, words, (first, last), cells)]

    return np.concatenate(in_parts(parts_of(words.size), listed))


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
    return label_and_count(code, seed_cell, counts=False).label


def label_and_count(code: NDArray[np.uint8], seed_cell: Ints, *, counts: bool = True) -> Walked:
    """Label all cells by the first seed that their water meets, and add them up down to there, strip by strip.

    counts : add up; without, ``total`` is empty.
    """
    width = code.shape[1]
    strips = strip_rows(code.shape)
    label = np.zeros(code.shape, dtype=np.int32)
    donors = np.empty_like(code)
    kind = np.int32 if code.size < _FULL_INT32 else np.int64
    total: Counts = np.empty(code.shape if counts else (0, 0), dtype=kind)
    in_parts(strips, lambda first, last: upstream.find_donors(code, first, last, donors))
    flat_label, number = label.ravel(), np.arange(seed_cell.size, dtype=np.int32)
    flat_label[seed_cell] = ~number
    leaving = cells_leaving(code, strips)
    from_others = leaving[flat_label[leaving] == 0]
    root = np.concatenate([seed_cell, from_others])
    upstream.follow_to_label(code.ravel(), steps_of(width), leaving, flat_label)
    named_root = (root, np.concatenate([number, ~flat_label[from_others]]))
    _cut_at(code, root, donors)
    ground = (code.ravel(), donors.ravel())
    steps = _donor_steps(width)

    def walk(first: int, last: int) -> None:
        size = (last - first) * width + 8
        room = (np.empty(size, np.int32), np.empty(size, np.int32), np.empty(size, np.int32), np.empty(size, np.int32))
        strip = (first * width, last * width)
        chains = chain_blocks(root, strip, width)
        upstream.walk_up(ground, width, strip, named_root, chains, steps, flat_label, total.ravel(), room)

    in_parts(strips, walk)
    return Walked(label, total, leaving, donors)


def chain_blocks(cell: Ints, strip: tuple[int, int], width: int) -> Chains:
    """Return the cells of a strip chained by block; see ``blocks.group_by_block``."""
    number = -(-width // blocks.WIDE) * -(-(strip[1] - strip[0]) // width // blocks.HIGH)
    head, following = np.full(number, -1, dtype=np.int32), np.empty(cell.size, dtype=np.int32)
    blocks.group_by_block(cell, strip, width, head, following)
    return head, following


def carry_down(code: NDArray[np.uint8], joint: Ints, total: Counts, pending: NDArray[np.uint8], strips: Bounds) -> None:
    """Add what each joint has to the totals below it, that did not count it; ``pending`` is 0 before and after.

    joint : (n,) int64, framed cells; those that lead nowhere, or are below 0, do not count.
    """
    width, room = code.shape[1], 2 * code.shape[1]
    flat_code, flat_pending, flat_total, step = code.ravel(), pending.ravel(), total.ravel(), steps_of(width)
    joint = joint[(joint >= 0) & (flat_code[joint] < OUTLET)]
    flat_pending[joint] = joints.JOINT
    none = np.empty(0, dtype=np.int64)

    def followed(first: int, last: int) -> tuple[Chains, Ints]:
        strip, crossing = (first * width, last * width), np.empty(room, dtype=np.int64)
        chains = chain_blocks(joint, strip, width)
        count, _ = joints.follow_joints(flat_code, (step, width), strip, joint, chains, flat_pending, crossing)
        return chains, crossing[:count]

    def carried(first: int, last: int) -> tuple[Ints, Ints]:
        crossing = (np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64))
        own, strip = chains_of[first, last], (first * width, last * width)
        count, _ = joints.carry_down(
            flat_code, (step, width), strip, (joint, none), own, flat_pending, flat_total, crossing
        )
        return crossing[0][:count], crossing[1][:count]

    chains, crossing = zip(*in_parts(strips, followed), strict=True)
    if len(strips) > 1:
        over = np.concatenate(crossing)
        joints.follow_joints(flat_code, (step, 0), (0, code.size), over, _one_chain(over.size), flat_pending, none)
    chains_of = dict(zip(strips, chains, strict=True))
    cell, amount = (np.concatenate(lists) for lists in zip(*in_parts(strips, carried), strict=True))
    if len(strips) > 1:
        whole = (0, code.size)
        own_chain = _one_chain(cell.size)
        joints.carry_down(
            flat_code, (step, width), whole, (cell, amount), own_chain, flat_pending, flat_total, (none, none)
        )


def _one_chain(size: int) -> Chains:
    """Return a list of some length as one chain."""
    following = np.arange(1, size + 1, dtype=np.int32)
    following[-1:] = -1
    return np.zeros(min(size, 1), dtype=np.int32), following


def cells_leaving(code: NDArray[np.uint8], strips: Bounds) -> Ints:
    """Return the framed cells whose water goes from one strip to another."""
    parts = [np.empty(0, dtype=np.int64)]
    for first, _ in strips[1:]:
        for row, side in ((first - 1, 1), (first, -1)):
            way = code[row]
            parts.append(
                np.flatnonzero((way < OUTLET) & (ROW_STEP[np.minimum(way, OUTLET)] == side)) + row * code.shape[1]
            )
    return np.concatenate(parts)


def _cut_at(code: NDArray[np.uint8], root: Ints, donors: NDArray[np.uint8]) -> None:
    """Take the roots out of the donors of the cells that they drain into: a walk ends there."""
    way = code.ravel()[root]
    leads = np.flatnonzero(way < OUTLET)
    way = way[leads]
    bit = np.uint8(1) << (OPPOSITE[way] - np.uint8(1))
    np.bitwise_and.at(donors.ravel(), root[leads] + steps_of(code.shape[1])[way], ~bit)


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
