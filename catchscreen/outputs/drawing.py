"""Shapes as paths, labels apart from each other, and the picture as a small PNG."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.outputs.sketch import Outline

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path as MplPath

LABEL_STEPS: Final = 200
COMPRESS_LEVEL: Final = 3


def add_path(axes: Axes, outline: Outline | None, **style: Any) -> None:
    """Add one compound path: a patch for each of tens of thousands of shapes would take most of the run.

    The window is set before; matplotlib need not look for it.
    """
    from matplotlib.collections import PathCollection

    if outline is not None:
        axes.add_collection(PathCollection([as_path(outline)], **style), autolim=False)


def as_path(outline: Outline) -> MplPath:
    """Return every ring as one closed subpath."""
    from matplotlib.path import Path as PolygonPath

    codes = np.full(len(outline.xy), PolygonPath.LINETO, dtype=PolygonPath.code_type)
    codes[outline.first] = PolygonPath.MOVETO
    codes[np.append(outline.first[1:] - 1, len(outline.xy) - 1)] = PolygonPath.CLOSEPOLY
    return PolygonPath(outline.xy, codes)


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
