from __future__ import annotations

import numpy as np
import pytest

from catchscreen.options import TerrainOptions
from catchscreen.progress import Run
from catchscreen.terrain import delineate

GROUND_MODELS = {
    "delft, half without level": ("delft/dtm_0p5m_half_nodata.tif", 0.5),
    "delft": ("delft/dtm_0p5m.tif", 0.5),
    "london_city": ("london_city/dtm_1m.tif", 1.0),
    "gothenburg": ("gothenburg/dtm_2m.tif", 2.0),
}


@pytest.mark.parametrize("name", GROUND_MODELS)
def test_real_ground(name, trial_data, make_inputs):
    import rasterio

    path, cell_m = GROUND_MODELS[name]
    with rasterio.open(trial_data / path) as source:
        band = source.read(1, masked=True)
    valid = ~np.ma.getmaskarray(band) & np.isfinite(band.filled(np.nan))
    level = np.where(valid, band.filled(0.0), 0.0)
    terrain = delineate(make_inputs(level, valid, cell_m=cell_m), TerrainOptions(subcatchment_target_ha=2.0), Run())
    assert ((terrain.subcatchment_label >= 0) == valid).all()
    assert terrain.accumulation_cells[valid & (terrain.receiver < 0)].sum() == valid.sum()
    assert (terrain.filled_ticks >= terrain.conditioned_ticks)[valid].all()
    assert terrain.subcatchments.geometry.is_valid.all()
    assert terrain.hollows.geometry.is_valid.all()
    np.testing.assert_allclose(terrain.subcatchments.geometry.area, terrain.subcatchments["area_m2"])
    np.testing.assert_allclose(terrain.hollows.geometry.area, terrain.hollows["area_m2"])
