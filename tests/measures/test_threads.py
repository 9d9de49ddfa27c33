"""Parts on threads: the same as in one piece, in the same order, whatever the number of threads."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from catchscreen.measures import threads


@pytest.fixture(params=[1, 3])
def allowed(request, monkeypatch) -> None:
    """Allow so many threads."""
    monkeypatch.setattr(threads, "thread_count", lambda: request.param)


def _discs(count: int, seed: int) -> np.ndarray:
    """Draw discs on a square of 100 m, with an empty place among them."""
    draw = np.random.default_rng(seed)
    shapes = shapely.buffer(shapely.points(draw.uniform(0.0, 100.0, (count, 2))), draw.uniform(0.5, 4.0, count))
    shapes[3] = None
    return shapes


@pytest.mark.usefixtures("allowed")
@pytest.mark.parametrize("count", [40, 1200])
@pytest.mark.parametrize(("predicate", "distance"), [(None, None), ("intersects", None), ("dwithin", 2.0)])
def test_a_tree_is_asked_in_parts(count, predicate, distance):
    """The pairs of one call, in its order; reaches may differ by shape."""
    tree, shapes = shapely.STRtree(_discs(900, 1)), _discs(count, 2)
    expected = tree.query(shapes, predicate=predicate, distance=distance)
    np.testing.assert_array_equal(threads.query(tree, shapes, predicate, distance), expected)
    if distance is not None:
        reach = np.linspace(0.0, 3.0, count)
        expected = tree.query(shapes, predicate=predicate, distance=reach)
        np.testing.assert_array_equal(threads.query(tree, shapes, predicate, reach), expected)
    assert expected.shape[1] > count


@pytest.mark.usefixtures("allowed")
@pytest.mark.parametrize("count", [40, 1200])
def test_rows_and_shapes_in_parts(count):
    """Rows come back in their order, also where all rows of a shape are kept together."""
    some, other = _discs(count, 3), _discs(count, 4)
    expected = shapely.distance(some, other)
    np.testing.assert_array_equal(threads.by_rows(shapely.distance, some, other), expected)
    drawn = np.random.default_rng(5).integers(0, 30, count)
    often = some[drawn]
    seen: list[set[int]] = []

    def ask(rows: np.ndarray) -> np.ndarray:
        seen.append(set(drawn[rows].tolist()))
        return shapely.distance(often[rows], other[rows])

    np.testing.assert_array_equal(threads.by_shape(ask, often), shapely.distance(often, other))
    assert sum(len(shapes) for shapes in seen) == len(set(drawn.tolist()))
