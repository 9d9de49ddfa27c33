"""One picture of a result: the district, what runs where, and the candidates by measure and rank."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from catchscreen.outputs.wording import SHORT_CAUTION

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path as MplPath

FIRST_RANKS: Final = 20
SCORE_STEPS: Final = (0.0, 40.0, 60.0, 100.0)
STRENGTHS: Final = (0.25, 0.55, 0.95)
"""Candidates are filled more strongly the higher they score: up to 40, up to 60, above."""
COLOURS: Final[Mapping[str, str]] = {
    "paper": "#fbfaf6",
    "ground": "#e7e4da",
    "road": "#cfcabd",
    "planted": "#dfe6d2",
    "water": "#b9d3e3",
    "roof": "#c7bfb2",
    "hollow": "#5b7fb5",
    "flow": "#6f9cc6",
    "paved": "#b4552d",
    "green": "#4f7f3a",
    "other": "#7a5a8c",
    "ink": "#2b2b28",
}
KIND_COLOURS: Final[Mapping[str, str]] = {
    "planted": COLOURS["planted"],
    "water": COLOURS["water"],
    "road": COLOURS["road"],
    "roof": COLOURS["roof"],
    "paved": COLOURS["ground"],
    "unknown": COLOURS["ground"],
}
MEASURE_COLOURS: Final[Mapping[str, str]] = {"permeable_paving": COLOURS["paved"], "green_roof": COLOURS["green"]}


def draw_overview(
    path: Path,
    frames: Mapping[str, pd.DataFrame],
    hillshade: tuple[NDArray[np.float32], tuple[float, float, float, float]],
    title: str,
    subtitle: str,
) -> None:
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

    with mpl.rc_context({**mpl.rcParamsDefault, "font.family": "DejaVu Sans"}):
        figure = Figure(figsize=(13.2, 9.6), dpi=130, facecolor=COLOURS["paper"])
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.015, 0.05, 0.72, 0.865))
        _draw_ground(axes, frames, hillshade)
        _draw_water(axes, frames)
        labels = _draw_candidates(axes, frames)
        _frame_map(axes, frames)
        _write_margin(figure, frames, labels, title, subtitle)
        figure.savefig(path, metadata={"Software": None})


def _draw_ground(
    axes: Axes,
    frames: Mapping[str, pd.DataFrame],
    hillshade: tuple[NDArray[np.float32], tuple[float, float, float, float]],
) -> None:
    """Cover classes under a light hillshade."""
    surfaces = gpd.GeoDataFrame(frames["surfaces"])
    for kind in ("unknown", "planted", "water", "paved", "road", "roof"):
        _fill(axes, surfaces[surfaces["kind"] == kind], KIND_COLOURS[kind], zorder=1)
    shade, (left, bottom, right, top) = hillshade
    axes.imshow(
        1.0 - shade,
        extent=(left, right, bottom, top),
        cmap="Greys",
        vmin=0.0,
        vmax=1.0,
        alpha=0.22,
        zorder=2,
        interpolation="bilinear",
    )
    parcels = gpd.GeoDataFrame(frames["parcels"])
    if len(parcels):
        _outline(axes, parcels)


def _draw_water(axes: Axes, frames: Mapping[str, pd.DataFrame]) -> None:
    """Flow paths by contributing area, hollows by volume."""
    paths = gpd.GeoDataFrame(frames["flow_paths"])
    if len(paths):
        from matplotlib.collections import LineCollection

        hectares = paths["contributing_area_m2"].fillna(0.0).to_numpy() / 10_000.0
        lines, owner = shapely.get_parts(paths.geometry.to_numpy(), return_index=True)
        widths = np.clip(0.35 * np.sqrt(hectares), 0.3, 2.6)[owner]
        segments = [shapely.get_coordinates(line) for line in lines]
        axes.add_collection(
            LineCollection(segments, colors=COLOURS["flow"], linewidths=widths, alpha=0.7, zorder=4), autolim=False
        )
    hollows = gpd.GeoDataFrame(frames["hollows"])
    _fill(axes, hollows, COLOURS["hollow"], zorder=5, alpha=0.55)


def _draw_candidates(axes: Axes, frames: Mapping[str, pd.DataFrame]) -> list[tuple[int, str]]:
    """Candidates by measure, the stronger the better they score; the first twenty parcels carry their rank."""
    candidates = _possible(frames)
    third = pd.cut(candidates["score"], SCORE_STEPS, labels=False, include_lowest=True)
    for (measure, place), group in candidates.groupby([candidates["measure"], third], sort=True):
        colour = MEASURE_COLOURS.get(str(measure), COLOURS["other"])
        _fill(axes, group, colour, zorder=6, alpha=STRENGTHS[int(place)])
    parcels = gpd.GeoDataFrame(frames["parcels"])
    first = parcels[parcels["rank"].notna() & (parcels["rank"].fillna(0) <= FIRST_RANKS)].sort_values(
        ["rank", "parcel_id"]
    )
    named: list[tuple[int, str]] = []
    for _, row in first.iterrows():
        if row["geometry"] is None or row["geometry"].is_empty:
            continue
        point = row["geometry"].representative_point()
        axes.annotate(
            str(row["rank"]),
            (point.x, point.y),
            ha="center",
            va="center",
            fontsize=6.5,
            color="white",
            zorder=8,
            bbox={"boxstyle": "circle,pad=0.22", "facecolor": COLOURS["ink"], "edgecolor": "white", "linewidth": 0.6},
        )
        named.append((int(row["rank"]), str(row["name"] or row["parcel_id"])))
    return named


def _possible(frames: Mapping[str, pd.DataFrame]) -> gpd.GeoDataFrame:
    """Return the candidates with an option that can be built; the others stand in the layer with what spoke against."""
    candidates = gpd.GeoDataFrame(frames["candidates"])
    return candidates[candidates["score"].notna()]


def _fill(axes: Axes, shapes: gpd.GeoDataFrame, colour: str, zorder: float, alpha: float = 1.0) -> None:
    """Fill polygons as one compound path: a patch for each of tens of thousands would take most of the run."""
    _add_path(axes, shapes, facecolors=colour, edgecolors="none", linewidths=0.0, zorder=zorder, alpha=alpha)


def _outline(axes: Axes, shapes: gpd.GeoDataFrame) -> None:
    """Draw the edges of polygons as one path."""
    _add_path(axes, shapes, facecolors="none", edgecolors="white", linewidths=0.25, alpha=0.8, zorder=3)


def _add_path(axes: Axes, shapes: gpd.GeoDataFrame, **style: Any) -> None:
    """Add all rings as one path; limits are set by ``_frame_map``, so matplotlib need not look for them."""
    from matplotlib.collections import PathCollection

    path = _rings_as_path(shapes)
    if path is not None:
        axes.add_collection(PathCollection([path], **style), autolim=False)


def _rings_as_path(shapes: gpd.GeoDataFrame) -> MplPath | None:
    """Return every ring as one closed subpath, outer rings one way and holes the other, or None without shapes."""
    from matplotlib.path import Path as PolygonPath

    parts = shapely.get_parts(shapely.orient_polygons(shapely.get_parts(shapes.geometry.dropna().to_numpy())))
    rings = shapely.get_rings(parts)
    if not len(rings):
        return None
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    codes = np.full(len(xy), PolygonPath.LINETO, dtype=PolygonPath.code_type)
    first = np.flatnonzero(np.diff(ring, prepend=-1))
    codes[first] = PolygonPath.MOVETO
    codes[np.append(first[1:] - 1, len(xy) - 1)] = PolygonPath.CLOSEPOLY
    return PolygonPath(xy, codes)


def _frame_map(axes: Axes, frames: Mapping[str, pd.DataFrame]) -> None:
    """Set the window to the parcels with a margin; scale bar and north arrow inside it."""
    left, bottom, right, top = gpd.GeoDataFrame(frames["parcels"]).total_bounds
    margin = 0.02 * max(right - left, top - bottom)
    axes.set_xlim(left - margin, right + margin)
    axes.set_ylim(bottom - margin, top + margin)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color("#b8b3a6")
    length = _round_length((right - left) / 5.0)
    x, y = left + margin * 0.5, bottom + margin * 0.2
    axes.plot([x, x + length], [y, y], color=COLOURS["ink"], linewidth=2.5, zorder=9, solid_capstyle="butt")
    label = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    axes.annotate(
        label, (x + length / 2, y), xytext=(0, 4), textcoords="offset points", ha="center", fontsize=8, zorder=9
    )
    axes.annotate(
        "N",
        xy=(right, top),
        xytext=(right, top - 0.07 * (top - bottom)),
        ha="center",
        fontsize=9,
        zorder=9,
        arrowprops={"arrowstyle": "-|>", "color": COLOURS["ink"], "lw": 1.2},
    )


def _round_length(length_m: float) -> float:
    """Return 1, 2 or 5 times a power of ten, at most the length."""
    power = 10.0 ** np.floor(np.log10(length_m))
    return float(max(step * power for step in (1.0, 2.0, 5.0) if step * power <= length_m))


def _write_margin(
    figure: object, frames: Mapping[str, pd.DataFrame], labels: list[tuple[int, str]], title: str, subtitle: str
) -> None:
    """Title, legend, the first places and the caution."""
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if not isinstance(figure, Figure):
        raise TypeError("a matplotlib Figure is needed")
    figure.text(0.015, 0.962, title, fontsize=15, fontweight="bold", color=COLOURS["ink"])
    figure.text(0.015, 0.932, subtitle, fontsize=9.5, color=COLOURS["ink"])
    measures = sorted(set(_possible(frames)["measure"]))
    handles: list[Patch | Line2D] = [
        Patch(
            color=MEASURE_COLOURS.get(name, COLOURS["other"]),
            label=f"candidate: {name.replace('_', ' ')}",
        )
        for name in measures
    ]
    handles += [
        Patch(color=COLOURS["hollow"], alpha=0.55, label="hollow, where water could gather"),
        Line2D([], [], color=COLOURS["flow"], label="main overland flow path"),
        Patch(color=COLOURS["roof"], label="roof"),
        Patch(color=COLOURS["road"], label="road and footway"),
        Patch(color=COLOURS["ground"], label="other paved or unknown ground"),
        Patch(color=COLOURS["planted"], label="planted ground"),
        Patch(color=COLOURS["water"], label="water"),
    ]
    handles.append(Line2D([], [], color="none", label="stronger colour: higher score"))
    figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.745, 0.918), fontsize=8.5, frameon=False)
    lines = [f"{rank:>3}  {_shortened(name)}" for rank, name in labels]
    figure.text(
        0.75, 0.655, "First places by overall rank", fontsize=9.5, fontweight="bold", color=COLOURS["ink"], va="top"
    )
    figure.text(0.75, 0.632, "\n".join(lines), fontsize=8.2, color=COLOURS["ink"], va="top", linespacing=1.45)
    figure.text(0.015, 0.018, SHORT_CAUTION, fontsize=9, color="#8a2f1b")


def _shortened(name: str, longest: int = 34) -> str:
    return name if len(name) <= longest else name[: longest - 1] + "…"
