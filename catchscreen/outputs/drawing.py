"""Shapes as paths, labels apart from each other, and the picture as a small PNG."""

from __future__ import annotations

import contextlib
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path as MplPath

LABEL_STEPS: Final = 200
COMPRESS_LEVEL: Final = 3


def load_early() -> None:
    """Start loading the drawing library beside the computation: half a second that ``write`` need not wait for.

    Only the library is loaded: nothing is drawn, and neither backend nor settings are touched. Where it cannot be
    loaded, drawing itself says so.
    """
    Thread(target=_load, name="catchscreen-load-drawing", daemon=True).start()


def _load() -> None:
    with contextlib.suppress(ImportError):
        import matplotlib.backends.backend_agg
        import matplotlib.figure
        import matplotlib.legend_handler  # noqa: F401 (loaded for later)


def add_path(axes: Axes, path: MplPath | None, **style: Any) -> None:
    """Add one compound path: a patch for each of tens of thousands of shapes would take most of the run.

    The window is set before; matplotlib need not look for it.
    """
    from matplotlib.collections import PathCollection

    if path is not None:
        axes.add_collection(PathCollection([path], **style), autolim=False)


def rings_as_path(shapes: NDArray[np.object_]) -> MplPath | None:
    """Return every ring as one closed subpath, outer rings one way and holes the other, or None without shapes."""
    from matplotlib.path import Path as PolygonPath

    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(shapes)))
    if not len(rings):
        return None
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    codes = np.full(len(xy), PolygonPath.LINETO, dtype=PolygonPath.code_type)
    first = np.flatnonzero(np.diff(ring, prepend=-1))
    codes[first] = PolygonPath.MOVETO
    codes[np.append(first[1:] - 1, len(xy) - 1)] = PolygonPath.CLOSEPOLY
    return PolygonPath(xy, codes)


def spread_labels(anchors: NDArray[np.float64], radius: float) -> NDArray[np.float64]:
    """Push discs apart until none covers another, each drawn back towards its anchor.

    Parameters
    ----------
    anchors : (n, 2)
    radius : float
        Of a disc, in the same unit.

    Returns
    -------
    (n, 2) float64
        The same for the same anchors in the same order.
    """
    count, apart = len(anchors), 2.1 * radius
    # Discs on one spot have no direction to part in: each gets a nudge of its own.
    turn = np.arange(count) * 2.399963
    places = anchors + 1e-3 * radius * np.column_stack([np.cos(turn), np.sin(turn)])
    for step in range(LABEL_STEPS):
        gap = places[:, None, :] - places[None, :, :]
        distance = np.hypot(gap[..., 0], gap[..., 1]) + np.eye(count) * apart
        lack = np.clip(apart - distance, 0.0, None)
        if step and not (lack > 0.02 * radius).any():
            break
        push = (gap / distance[..., None] * lack[..., None] * 0.5).sum(axis=1)
        # At most a radius a step: many discs on one spot would else fly apart rather than settle round it.
        strength = np.hypot(push[:, 0], push[:, 1])
        push *= np.minimum(1.0, radius / np.maximum(strength, radius))[:, None]
        pull = 0.0 if step > LABEL_STEPS // 2 else 0.02
        places = places + push + pull * (anchors - places)
    return np.asarray(places)


def save_picture(path: Path, pixels: NDArray[np.uint8], dpi: int) -> None:
    """Save as PNG in full colour: 256 of them would lose the faint ones, and compressing hard saves little here.

    Parameters
    ----------
    pixels : (rows, cols, 4) uint8
    """
    from PIL import Image

    picture = Image.fromarray(np.ascontiguousarray(pixels[..., :3]))
    picture.save(path, format="PNG", dpi=(dpi, dpi), compress_level=COMPRESS_LEVEL)
