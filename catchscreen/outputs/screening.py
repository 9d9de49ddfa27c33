"""One complete result: its frames for a script, and ``write`` for everyone else."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import shorten
from typing import Any, Final

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from catchscreen.outputs.columns import Layer
from catchscreen.outputs.conforming import round_frame
from catchscreen.outputs.geopackage import write_geopackage
from catchscreen.outputs.manifest import MANIFEST_NAME, build_manifest, write_manifest
from catchscreen.outputs.overview import sketch_overview
from catchscreen.outputs.painter import Painter
from catchscreen.outputs.painting import paint
from catchscreen.outputs.placing import place_result
from catchscreen.outputs.sketch import Light
from catchscreen.outputs.tables import write_tables
from catchscreen.outputs.wording import CAUTIONS
from catchscreen.progress import logger

LONGEST_SAID: Final = 70
"""What is said of the makers on the first page is cut to this many letters; the whole stands in the manifest."""


@dataclass(frozen=True, slots=True)
class Written:
    """Where a result went: its folder and the files in it, relative to the folder.

    ``kept`` names the files under which the user's edits of the result before were kept.
    """

    folder: Path
    files: tuple[str, ...]
    kept: tuple[str, ...] = ()


@dataclass(frozen=True)
class Screening:
    """One complete result.

    Frames have the columns that ``layers`` names, also when empty, with the id as index and numbers not yet rounded.
    Nothing is written until ``write``.
    """

    name: str
    run_id: str
    crs: CRS
    layers: Mapping[str, Layer]
    frames: Mapping[str, pd.DataFrame]
    hillshade: Light
    provenance: Mapping[str, Any]
    seconds: Mapping[str, float] = field(default_factory=dict)
    default_folder: Path = field(default_factory=Path.cwd)
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def parcels(self) -> gpd.GeoDataFrame:
        """Return the parcels with impermeable area, runoff now, scores and ranks; index parcel_id."""
        return gpd.GeoDataFrame(self.frame("parcels"))

    @property
    def candidates(self) -> gpd.GeoDataFrame:
        """Return the candidates, each a measure on a host area; index candidate_id."""
        return gpd.GeoDataFrame(self.frame("candidates"))

    @property
    def subcatchments(self) -> gpd.GeoDataFrame:
        """Return the sub-catchments; index subcatchment_id."""
        return gpd.GeoDataFrame(self.frame("subcatchments"))

    @property
    def hollows(self) -> gpd.GeoDataFrame:
        """Return the hollows; index hollow_id."""
        return gpd.GeoDataFrame(self.frame("hollows"))

    @property
    def options(self) -> pd.DataFrame:
        """Return every variant looked at; index option_id."""
        return self.frame("options")

    @property
    def water_balance(self) -> pd.DataFrame:
        """Return the water balance at every level; index balance_id."""
        return self.frame("water_balance")

    @property
    def data_issues(self) -> gpd.GeoDataFrame:
        """Return the repairs, unknowns and notes; index issue_id."""
        return gpd.GeoDataFrame(self.frame("data_issues"))

    def frame(self, layer: str) -> pd.DataFrame:
        """Return one layer or table.

        Raises
        ------
        KeyError
            When there is no such layer; the message lists those there are.
        """
        if layer not in self.frames:
            raise KeyError(f"no layer {layer!r}; there are {', '.join(self.frames)}")
        return self.frames[layer]

    def write(self, folder: str | Path | None = None, *, painter: Painter | None = None) -> Written:
        """Write the whole result: GeoPackage, tables, overview picture and, last, the manifest.

        Parameters
        ----------
        folder : path, optional
            By default ``<brief name>_result`` beside the brief.
        painter : Painter, optional
            A second process that waits to draw the picture; without it this one does.

        Raises
        ------
        ResultNotWritten
            When the files cannot be put in place; the finished ones are kept and the message says where.
        """
        logger.info("writing")
        target = Path(folder) if folder is not None else self.default_folder
        with tempfile.TemporaryDirectory(prefix="catchscreen-") as work:
            built = Path(work)
            files = self._build(built, painter)
            kept = place_result(built, target.absolute(), files)
        return Written(target.absolute(), tuple(files), kept)

    def said_of_makers(self) -> str:
        """Say who prepared the screening and with what interest, for the first page; "" where the brief does not."""
        told = (("prepared by", "prepared_by"), ("interest:", "interest"))
        said = [(words, str(self.provenance.get(key, "")).strip()) for words, key in told]
        return "".join(f" · {words} {shorten(text, LONGEST_SAID, placeholder=' …')}" for words, text in said if text)

    def _build(self, built: Path, painter: Painter | None) -> list[str]:
        """Make every file in an empty folder; return their names, the manifest last."""
        rounded = {name: round_frame(self.frames[name], layer) for name, layer in self.layers.items()}
        provenance = {**self.provenance, "cautions": list(self.cautions)}
        able = int(rounded["candidates"]["variant"].notna().sum())
        subtitle = (
            f"{len(rounded['parcels'])} parcels, {able} candidates · run {self.run_id[:12]}{self.said_of_makers()}"
        )
        sketch = sketch_overview(rounded, self.hillshade, self.name, subtitle)
        draw = paint if painter is None else painter.draw
        # Side by side: much of each is work outside Python. One thread makes a file whole, so its bytes stay the same.
        with ThreadPoolExecutor(max_workers=2, thread_name_prefix="catchscreen-write") as pool:
            jobs = [
                pool.submit(draw, built / "overview.png", sketch),
                pool.submit(write_geopackage, built / "screening.gpkg", rounded, self.layers, provenance),
                pool.submit(write_tables, built / "tables", rounded, self.layers),
            ]
            for job in jobs:
                job.result()
        files = sorted(path.relative_to(built).as_posix() for path in built.rglob("*") if path.is_file())
        manifest = build_manifest(built, files, self.provenance, self.seconds)
        write_manifest(built / MANIFEST_NAME, manifest)
        return [*files, MANIFEST_NAME]
