"""Draw the overview from its sketch, with numpy and the drawing library and no frames: a second process can do it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from catchscreen.outputs.drawing import add_path, save_picture, spread_labels
from catchscreen.outputs.overview_margin import (
    COLOURS,
    HEAD_IN,
    KIND_COLOURS,
    MARGIN_IN,
    MEASURE_COLOURS,
    STRENGTHS,
    write_margin,
)
from catchscreen.outputs.sketch import Sheet, Sketch

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DPI: Final = 130
SHADE: Final = 0.22
"""How much the darkest slope darkens the ground."""
LABEL_RADIUS_IN: Final = 0.088


def load_library() -> None:
    """Load what ``paint`` draws with. Nothing is drawn, and neither backend nor settings are touched."""
    import matplotlib.backends.backend_agg
    import matplotlib.collections
    import matplotlib.figure
    import matplotlib.legend_handler  # noqa: F401 (loaded for later)
    import PIL.PngImagePlugin  # noqa: F401


def paint(path: Path, sketch: Sketch) -> None:
    """Draw an overview as PNG: the same bytes for the same sketch, whatever the user's settings."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    sheet = sketch.sheet
    with mpl.rc_context({**mpl.rcParamsDefault, "font.family": "DejaVu Sans"}):
        figure = Figure(figsize=(sheet.width, sheet.height), dpi=DPI, facecolor=COLOURS["paper"])
        canvas = FigureCanvasAgg(figure)
        box = (
            MARGIN_IN / sheet.width,
            1.0 - (HEAD_IN + sheet.map_height) / sheet.height,
            sheet.map_width / sheet.width,
            sheet.map_height / sheet.height,
        )
        axes = figure.add_axes(box)
        _frame_map(axes, sheet)
        _draw_ground(axes, sketch)
        _draw_water(axes, sketch)
        _draw_candidates(axes, sketch)
        _draw_labels(axes, sketch.anchors, [str(rank) for rank, _ in sketch.first], sheet)
        _draw_scale(axes, sheet)
        write_margin(figure, sketch)
        canvas.draw()
        save_picture(path, np.asarray(canvas.buffer_rgba()), DPI)


def _frame_map(axes: Axes, sheet: Sheet) -> None:
    """Set the window."""
    axes.set_xlim(sheet.left, sheet.right)
    axes.set_ylim(sheet.bottom, sheet.top)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor(COLOURS["paper"])
    for spine in axes.spines.values():
        spine.set_color("#b8b3a6")


def _draw_ground(axes: Axes, sketch: Sketch) -> None:
    """Cover classes under a light hillshade, parcel edges over both."""
    order = list(KIND_COLOURS)
    for kind, outline in sketch.ground:
        zorder = 1 + 0.1 * order.index(kind)
        add_path(axes, outline, facecolors=KIND_COLOURS[kind], edgecolors="none", linewidths=0.0, zorder=zorder)
    light, (left, bottom, right, top) = sketch.light
    dark = np.zeros((*light.shape, 4), np.uint8)
    dark[..., 3] = np.nan_to_num(255.0 * SHADE * (1.0 - light)).round()
    axes.imshow(dark, extent=(left, right, bottom, top), zorder=2, interpolation="bilinear", aspect="auto")
    axes.set_autoscale_on(False)
    add_path(axes, sketch.edges, facecolors="none", edgecolors="white", linewidths=0.25, alpha=0.8, zorder=3)


def _draw_water(axes: Axes, sketch: Sketch) -> None:
    """Flow paths by contributing area, hollows."""
    if sketch.flow is not None:
        from matplotlib.collections import LineCollection

        drawn = LineCollection(
            sketch.flow.parts, colors=COLOURS["flow"], linewidths=sketch.flow.widths, alpha=0.75, zorder=4
        )
        axes.add_collection(drawn, autolim=False)
    add_path(axes, sketch.hollows, facecolors=COLOURS["hollow"], edgecolors="none", linewidths=0.0, zorder=5, alpha=0.5)


def _draw_candidates(axes: Axes, sketch: Sketch) -> None:
    """Candidates by measure, the stronger the better they score."""
    for measure, place, outline in sketch.candidates:
        style = {"facecolors": MEASURE_COLOURS.get(measure, COLOURS["other"]), "alpha": STRENGTHS[place]}
        add_path(axes, outline, edgecolors="none", linewidths=0.0, zorder=6, **style)


def _draw_labels(axes: Axes, anchors: NDArray[np.float64], texts: list[str], sheet: Sheet) -> None:
    """Draw ranks in discs that do not hide each other; a line leads from a moved one to its place."""
    if not texts:
        return
    from matplotlib.collections import LineCollection

    scale = sheet.metres_per_inch
    places = spread_labels(anchors / scale, LABEL_RADIUS_IN) * scale
    moved = np.hypot(*(places - anchors).T) > 0.5 * LABEL_RADIUS_IN * scale
    leads = np.stack([anchors[moved], places[moved]], axis=1)
    axes.add_collection(LineCollection(list(leads), colors=COLOURS["ink"], linewidths=0.7, zorder=7), autolim=False)
    size = (2.0 * LABEL_RADIUS_IN * 72.0) ** 2
    axes.scatter(
        places[:, 0], places[:, 1], s=size, facecolor=COLOURS["ink"], edgecolor="white", linewidth=0.6, zorder=8
    )
    for (x, y), text in zip(places, texts, strict=True):
        axes.text(x, y, text, ha="center", va="center_baseline", fontsize=6.2, color="white", zorder=9)


def _draw_scale(axes: Axes, sheet: Sheet) -> None:
    """Scale bar and north arrow, on the map's grid."""
    inch = sheet.metres_per_inch
    length = _round_length((sheet.right - sheet.left) / 5.0)
    x, y = sheet.left + 0.15 * inch, sheet.bottom + 0.12 * inch
    axes.plot([x, x + length], [y, y], color=COLOURS["ink"], linewidth=2.5, zorder=9, solid_capstyle="butt")
    label = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    axes.text(x + length / 2, y + 0.06 * inch, label, ha="center", va="bottom", fontsize=8, zorder=9)
    north = (sheet.right - 0.2 * inch, sheet.top - 0.1 * inch)
    axes.annotate(
        "N",
        xy=north,
        xytext=(north[0], north[1] - 0.5 * inch),
        ha="center",
        fontsize=9,
        zorder=9,
        arrowprops={"arrowstyle": "-|>", "color": COLOURS["ink"], "lw": 1.2},
    )


def _round_length(length_m: float) -> float:
    """Return 1, 2 or 5 times a power of ten, at most the length."""
    power = 10.0 ** np.floor(np.log10(length_m))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= length_m))
