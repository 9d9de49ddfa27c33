"""The picture's parts: labels apart from each other, holes left open, colours told apart by the colour-blind."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from shapely import MultiPolygon, box

from catchscreen.outputs.drawing import as_path, save_picture, spread_labels
from catchscreen.outputs.overview import outline_of
from catchscreen.outputs.overview_margin import COLOURS, MEASURE_COLOURS

BLINDNESS = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "none": np.eye(3),
}
"""Machado, Oliveira and Fernandes 2009, A physiologically-based model for simulation of color vision deficiency, IEEE
Transactions on Visualization and Computer Graphics 15(6), severity 1.0; numbers from memory.
"""


def seen(colour: str, blindness: str) -> np.ndarray:
    """The colour as seen, in CIE L*a*b* (D65)."""
    rgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.array(BLINDNESS[blindness]) @ linear, 0.0, 1.0)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    x, y, z = np.cbrt(to_xyz @ linear / np.array([0.9505, 1.0, 1.0890]))
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])


@pytest.mark.parametrize("blindness", BLINDNESS)
def test_measures_differ_from_each_other_water_and_ground_whoever_looks(blindness: str) -> None:
    """Twenty in L*a*b* is seen at a glance; two just so. Hollows are drawn half through, over planted ground here."""
    shown = {**MEASURE_COLOURS, **{name: COLOURS[name] for name in ("ground", "planted", "roof")}}
    mixed = (
        round((int(COLOURS["hollow"][at : at + 2], 16) + int(COLOURS["planted"][at : at + 2], 16)) / 2)
        for at in (1, 3, 5)
    )
    shown["hollow"] = "#" + "".join(f"{part:02x}" for part in mixed)
    for first, second in itertools.combinations(shown, 2):
        if first not in MEASURE_COLOURS:
            continue
        distance = np.linalg.norm(seen(shown[first], blindness) - seen(shown[second], blindness))
        assert distance > 20.0, (first, second, distance)


@given(arrays(np.float64, st.tuples(st.integers(1, 20), st.just(2)), elements=st.floats(0.0, 2.0)))
def test_labels_do_not_cover_each_other_and_stay_near(anchors: np.ndarray) -> None:
    """Twenty discs of radius 0.1 thrown on 2 by 2: afterwards no two lie nearer than two radii, nearly."""
    places = spread_labels(anchors, 0.1)
    gaps = [np.hypot(*(one - other)) for one, other in itertools.combinations(places, 2)]
    assert all(gap > 0.19 for gap in gaps)
    assert np.hypot(*(places - anchors).T).max() < 0.8
    np.testing.assert_array_equal(places, spread_labels(anchors, 0.1))


def test_labels_far_apart_stay_where_they_are() -> None:
    anchors = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    assert spread_labels(anchors, 0.1) == pytest.approx(anchors, abs=2e-3)


def test_holes_stay_open_whichever_way_the_rings_run() -> None:
    """One square with a hole, rings in either direction: a point in the hole is outside, one in the rim inside."""
    ring = box(0, 0, 10, 10).difference(box(4, 4, 6, 6))
    turned = type(ring)(ring.exterior.coords[::-1], [hole.coords[::-1] for hole in ring.interiors])
    for shape in (ring, turned, MultiPolygon([ring, box(20, 0, 21, 1)])):
        outline = outline_of(np.array([shape, None], dtype=object))
        assert outline is not None
        path = as_path(outline)
        xy, codes = path.vertices, path.codes
        starts = np.flatnonzero(codes == path.MOVETO)
        areas = [
            np.sum(part[:-1, 0] * part[1:, 1] - part[1:, 0] * part[:-1, 1]) / 2.0 for part in np.split(xy, starts[1:])
        ]
        assert sorted(np.sign(areas)) == [-1.0] + [1.0] * (len(areas) - 1)
    assert outline_of(np.array([None], dtype=object)) is None


def test_a_picture_keeps_every_colour(tmp_path: Path) -> None:
    from PIL import Image

    pixels = np.zeros((40, 40, 4), np.uint8)
    pixels[..., 0], pixels[..., 1] = np.arange(40)[:, None] * 6, np.arange(40)[None, :] * 6
    pixels[..., 3] = 255
    save_picture(tmp_path / "a.png", pixels, 130)
    with Image.open(tmp_path / "a.png") as picture:
        assert round(picture.info["dpi"][0]) == 130
        np.testing.assert_array_equal(np.asarray(picture), pixels[..., :3])


def test_loading_leaves_backend_and_settings_alone() -> None:
    """In a process of its own: the library gets loaded, pyplot does not, and no setting has changed."""
    script = (
        "import sys, warnings, numpy\n"
        "before = list(warnings.filters)\n"
        "from catchscreen.outputs.painting import load_library\n"
        "load_library()\n"
        "assert 'matplotlib.figure' in sys.modules and 'matplotlib.pyplot' not in sys.modules\n"
        "assert 'pandas' not in sys.modules and 'shapely' not in sys.modules\n"
        "import matplotlib\n"
        "changed = {k for k in matplotlib.rcParams if k != 'backend' and\n"
        "           matplotlib.rcParams[k] != matplotlib.rcParamsOrig[k]}\n"
        "assert not changed, changed\n"
        "assert matplotlib.get_backend(auto_select=False) is None\n"
        "assert warnings.filters == before\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True, timeout=120, env={"MPLBACKEND": "", "PATH": ""})
