"""One picture of a result: the district, what runs where, and the candidates by measure and rank."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.outputs.drawing import add_path, rings_as_path, save_picture, spread_labels
from catchscreen.outputs.overview_margin import (
    COLOURS,
    FIRST_RANKS,
    HEAD_IN,
    KIND_COLOURS,
    MARGIN_IN,
    MEASURE_COLOURS,
    STRENGTHS,
    Sheet,
    possible_candidates,
    write_margin,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Light = tuple[NDArray[np.float32], tuple[float, float, float, float]]

SCORE_STEPS: Final = (0.0, 40.0, 60.0, 100.0)
DPI: Final = 130
FOOT_IN, SIDE_IN = 0.62, 3.75
LONGEST_MAP_IN: Final = (10.5, 8.4)
LEAST_HEIGHT_IN: Final = 7.2
NARROWEST: Final = 0.5
"""Shorter over longer side of the map: a corridor shows ground beside it rather than squeeze title and cautions."""
SHADE: Final = 0.22
"""How much the darkest slope darkens the ground."""
LABEL_RADIUS_IN: Final = 0.088


def draw_overview(path: Path, frames: Mapping[str, pd.DataFrame], hillshade: Light, title: str, subtitle: str) -> None:
    """Draw the overview as PNG.

    Parameters
    ----------
    path : Path
    frames : layer name -> frame
        The layers as written.
    hillshade : ((rows, cols) float32 in 0..1, (min x, min y, max x, max y) [m])
        Light on the ground, NaN outside the data.
    title, subtitle : str
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    sheet = _plan_sheet(gpd.GeoDataFrame(frames["parcels"]))
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
        _draw_ground(axes, frames, hillshade)
        _draw_water(axes, frames)
        labels = _draw_candidates(axes, frames, sheet)
        _draw_scale(axes, sheet)
        write_margin(figure, frames, sheet, (title, subtitle), labels)
        canvas.draw()
        save_picture(path, np.asarray(canvas.buffer_rgba()), DPI)


def _plan_sheet(parcels: gpd.GeoDataFrame) -> Sheet:
    """Fit the sheet to the district, without blanks beside it."""
    left, bottom, right, top = parcels.total_bounds if len(parcels) else (0.0, 0.0, 1.0, 1.0)
    edge = 0.01 * max(right - left, top - bottom, 1.0)
    across = max(right - left, NARROWEST * (top - bottom)) / 2.0 + edge
    along = max(top - bottom, NARROWEST * (right - left)) / 2.0 + edge
    x, y = (left + right) / 2.0, (bottom + top) / 2.0
    left, bottom, right, top = x - across, y - along, x + across, y + along
    scale = min(LONGEST_MAP_IN[0] / (right - left), LONGEST_MAP_IN[1] / (top - bottom))
    width, height = scale * (right - left), scale * (top - bottom)
    tall = max(height + HEAD_IN + FOOT_IN, LEAST_HEIGHT_IN)
    return Sheet(width + SIDE_IN + 2 * MARGIN_IN, tall, width, height, left, bottom, right, top)


def _frame_map(axes: Axes, sheet: Sheet) -> None:
    """Set the window."""
    axes.set_xlim(sheet.left, sheet.right)
    axes.set_ylim(sheet.bottom, sheet.top)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor(COLOURS["paper"])
    for spine in axes.spines.values():
        spine.set_color("#b8b3a6")


def _draw_ground(axes: Axes, frames: Mapping[str, pd.DataFrame], hillshade: Light) -> None:
    """Cover classes under a light hillshade, parcel edges over both."""
    surfaces = gpd.GeoDataFrame(frames["surfaces"])
    kinds = surfaces["kind"].to_numpy(dtype=object)
    for order, (kind, colour) in enumerate(KIND_COLOURS.items()):
        path = rings_as_path(surfaces.geometry.to_numpy()[kinds == kind])
        add_path(axes, path, facecolors=colour, edgecolors="none", linewidths=0.0, zorder=1 + 0.1 * order)
    light, (left, bottom, right, top) = hillshade
    dark = np.zeros((*light.shape, 4), np.uint8)
    dark[..., 3] = np.nan_to_num(255.0 * SHADE * (1.0 - light)).round()
    axes.imshow(dark, extent=(left, right, bottom, top), zorder=2, interpolation="bilinear", aspect="auto")
    axes.set_autoscale_on(False)
    edges = rings_as_path(gpd.GeoDataFrame(frames["parcels"]).geometry.to_numpy())
    add_path(axes, edges, facecolors="none", edgecolors="white", linewidths=0.25, alpha=0.8, zorder=3)


def _draw_water(axes: Axes, frames: Mapping[str, pd.DataFrame]) -> None:
    """Flow paths by contributing area, hollows."""
    paths = gpd.GeoDataFrame(frames["flow_paths"])
    if len(paths):
        from matplotlib.collections import LineCollection

        hectares = paths["contributing_area_m2"].fillna(0.0).to_numpy() / 10_000.0
        lines, owner = shapely.get_parts(paths.geometry.to_numpy(), return_index=True)
        widths = np.clip(0.35 * np.sqrt(hectares), 0.3, 2.6)[owner]
        segments = [shapely.get_coordinates(line) for line in lines]
        drawn = LineCollection(segments, colors=COLOURS["flow"], linewidths=widths, alpha=0.75, zorder=4)
        axes.add_collection(drawn, autolim=False)
    hollows = rings_as_path(gpd.GeoDataFrame(frames["hollows"]).geometry.to_numpy())
    add_path(axes, hollows, facecolors=COLOURS["hollow"], edgecolors="none", linewidths=0.0, zorder=5, alpha=0.5)


def _draw_candidates(axes: Axes, frames: Mapping[str, pd.DataFrame], sheet: Sheet) -> list[tuple[int, str]]:
    """Candidates by measure, the stronger the better they score; the first twenty parcels carry their rank."""
    candidates = possible_candidates(frames)
    third = pd.cut(candidates["score"], SCORE_STEPS, labels=False, include_lowest=True)
    for (measure, place), group in candidates.groupby([candidates["measure"], third], sort=True):
        style = {"facecolors": MEASURE_COLOURS.get(str(measure), COLOURS["other"]), "alpha": STRENGTHS[int(place)]}
        path = rings_as_path(group.geometry.to_numpy())
        add_path(axes, path, edgecolors="none", linewidths=0.0, zorder=6, **style)
    parcels = gpd.GeoDataFrame(frames["parcels"])
    first = parcels[parcels["rank"].notna() & (parcels["rank"].fillna(0) <= FIRST_RANKS)]
    first = first[first.geometry.notna() & ~first.geometry.is_empty].sort_values(["rank", "parcel_id"])
    first = first.head(2 * FIRST_RANKS)  # many equal ranks would bury the map
    anchors = shapely.get_coordinates(first.geometry.representative_point().to_numpy())
    _draw_labels(axes, anchors, [str(rank) for rank in first["rank"]], sheet)
    names = first["name"].where(first["name"].notna(), first["parcel_id"])
    return [(int(rank), str(name)) for rank, name in zip(first["rank"], names, strict=True)]


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
