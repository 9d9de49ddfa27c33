"""What stands around the map of the overview: title, legend, first places, cautions; and the colours of both."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from catchscreen.outputs.sketch import Sketch
from catchscreen.outputs.wording import CAUTIONS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FIRST_RANKS: Final = 20
STRENGTHS: Final = (0.3, 0.6, 1.0)
"""Candidates are filled more strongly the higher they score: up to 40, up to 60, above."""
COLOURS: Final[Mapping[str, str]] = {
    "paper": "#fbfaf6",
    "ground": "#ece9e0",
    "road": "#d8d4c9",
    "planted": "#e3e9d8",
    "water": "#c3dbe9",
    "roof": "#b3aca0",
    "hollow": "#2f62a8",
    "flow": "#5a93c8",
    "other": "#4d4d4d",
    "ink": "#2b2b28",
    "caution": "#7d2a18",
}
KIND_COLOURS: Final[Mapping[str, str]] = {
    "unknown": COLOURS["ground"],
    "planted": COLOURS["planted"],
    "water": COLOURS["water"],
    "paved": COLOURS["ground"],
    "road": COLOURS["road"],
    "roof": COLOURS["roof"],
}
"""Kinds of surface in the order in which they are drawn."""
MEASURE_COLOURS: Final[Mapping[str, str]] = {
    "permeable_paving": "#d55e00",
    "green_roof": "#0b5d43",
    "sports_turf": "#6f3fa0",
}
"""Vermilion, bluish green and purple of different lightness: told apart with any of the common colour blindnesses."""

GROUND_WORDS: Final = (
    ("roof", "roof", {"roof"}),
    ("road", "road and footway", {"road"}),
    ("ground", "other paved or unknown ground", {"paved", "unknown"}),
    ("planted", "planted ground", {"planted"}),
    ("water", "water", {"water"}),
)

MARGIN_IN: Final = 0.2
HEAD_IN: Final = 0.75


def write_margin(figure: Figure, sketch: Sketch) -> None:
    """Title, legend, the first places and the cautions."""
    sheet, labels = sketch.sheet, sketch.first
    ink, side = COLOURS["ink"], (2 * MARGIN_IN + sheet.map_width) / sheet.width

    def up(inches_from_top: float) -> float:
        return 1.0 - inches_from_top / sheet.height

    left = MARGIN_IN / sheet.width
    figure.text(left, up(0.36), sketch.title, fontsize=15, fontweight="bold", color=ink)
    figure.text(left, up(0.61), sketch.subtitle, fontsize=9.5, color=ink)
    legend_end = _write_legend(figure, sketch, (side, up(HEAD_IN - 0.06)))
    top = HEAD_IN + legend_end
    figure.text(side, up(top), "First places by overall rank", fontsize=9.5, fontweight="bold", color=ink, va="top")
    lines = [f"{rank:>3}  {_shortened(name)}" for rank, name in labels[:FIRST_RANKS]]
    if len(labels) > FIRST_RANKS:
        lines.append(" …  more of equal rank: layer parcels")
    if sketch.some_without_outline:
        lines.append("\nWhere cover is unknown a candidate has\nno outline, only its parcel's rank.")
    said = "\n".join(lines) if lines else "no parcel has a candidate: the reasons\nstand in layer parcels"
    figure.text(side, up(top + 0.22), said, fontsize=8.0, color=ink, va="top", linespacing=1.38)
    words = f"{CAUTIONS[0]} {CAUTIONS[2]} {CAUTIONS[3]}"
    wide = int((sheet.width - 2 * MARGIN_IN) * 17.0)
    foot = up(HEAD_IN + sheet.map_height + 0.1)
    said = "\n".join(textwrap.wrap(words, wide))
    figure.text(left, foot, said, fontsize=7.6, color=COLOURS["caution"], va="top", linespacing=1.3)


def _write_legend(figure: Figure, sketch: Sketch, corner: tuple[float, float]) -> float:
    """Explain the colours that are on the map; return the height taken, in inches."""
    from matplotlib.legend_handler import HandlerTuple
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries: list[tuple[object, str]] = []
    for name in sketch.measures:
        colour = MEASURE_COLOURS.get(name, COLOURS["other"])
        swatches = tuple(Patch(facecolor=colour, alpha=strength) for strength in STRENGTHS)
        entries.append((swatches, f"{name.replace('_', ' ')}: score to 40, to 60, above"))
    entries += [
        (Patch(facecolor=COLOURS["hollow"], alpha=0.5), "hollow, where water could gather"),
        (Line2D([], [], color=COLOURS["flow"]), "main overland flow path"),
    ]
    entries += [(Patch(facecolor=COLOURS[name]), said) for name, said, kinds in GROUND_WORDS if sketch.kinds & kinds]
    handles, labels = zip(*entries, strict=True)
    figure.legend(
        handles=list(handles),
        labels=list(labels),
        loc="upper left",
        bbox_to_anchor=corner,
        borderaxespad=0.0,
        borderpad=0.0,
        fontsize=8.2,
        frameon=False,
        handlelength=2.6,
        handler_map={tuple: HandlerTuple(ndivide=None, pad=0.1)},
    )
    return 0.176 * len(entries) + 0.2


def _shortened(name: str, longest: int = 38) -> str:
    return name if len(name) <= longest else name[: longest - 1] + "…"
