"""Real records of three agencies through the reader and the statistics, against figures counted with awk."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from catchscreen.brief_sources import RainSeriesSource
from catchscreen.inputs.desk import Desk
from catchscreen.inputs.rain_series import read_rain_series
from catchscreen.options import RainOptions
from catchscreen.progress import Run
from catchscreen.runoff import depths, prepare_rain, statistics


def read(folder: Path, name: str, **settings: object) -> tuple[pd.Series, Run]:
    run = Run()
    source = RainSeriesSource(file=name, **settings).placed(role="rain_series", folder=folder / "rain")
    return read_rain_series(source, Desk(SimpleNamespace(), run)), run


def test_hours_of_a_year_with_traces(trial_data: Path) -> None:
    """KNMI, De Bilt 2000: 932.4 mm, 1,208 traces, 1,261 wet hours, July 98.6 mm, 21.7 mm on 29 July in hour 16."""
    rain, run = read(trial_data, "de_bilt_hourly_2000.txt", unit="0.1 mm")
    assert rain.sum() == pytest.approx(932.4)
    assert (rain > 0.0).sum() == 1261
    assert rain.loc["2000-07"].sum() == pytest.approx(98.6)
    assert rain.max() == pytest.approx(21.7)
    assert rain.idxmax() == pd.Timestamp("2000-07-29 15:00", tz="UTC")
    assert any("1208 traces" in issue.message for issue in run.issues)


def test_whole_numbers_with_traces_are_not_guessed(trial_data: Path) -> None:
    """Without a unit the same file is refused: its whole numbers could be mm or tenths."""
    with pytest.raises(ValueError, match=r'Set unit = "0\.1 mm"'):
        read(trial_data, "de_bilt_hourly_2000.txt")


def test_days_of_four_years(trial_data: Path) -> None:
    """NOAA, Seattle: yearly sums 1226.0, 828.0, 1232.8, 1139.2 mm and wettest days 54.1, 43.4, 46.7, 55.9 mm."""
    rain, _ = read(trial_data, "seattle_daily_2012_2015.csv")
    by_year = rain.groupby(pd.DatetimeIndex(rain.index).year)
    assert by_year.sum().tolist() == pytest.approx([1226.0, 828.0, 1232.8, 1139.2])
    assert statistics.annual_maxima(rain, [1440.0])[1440.0].tolist() == [54.1, 43.4, 46.7, 55.9]
    run = Run()
    made = prepare_rain(None, rain, RainOptions(durations_min=(2880.0, 4320.0)), run)
    assert made.storms["return_period_years"].isna().all()
    assert any("4 complete years" in issue.message for issue in run.issues)


def test_sixty_six_years_make_a_table(trial_data: Path) -> None:
    """KNMI, Esbeek: the table of the record rises, lies within its limits, and 1-in-100 is called beyond it.

    One day is refused, as the step is a day. The two-day maxima are those of sums of neighbouring days by numpy.
    """
    rain, _ = read(trial_data, "esbeek_daily_1951_2017.txt", unit="0.1 mm")
    options = RainOptions(durations_min=(1440.0, 2880.0, 5760.0))
    found = depths.estimate_depths(rain, options)
    assert found.table.index.tolist() == [2880.0, 5760.0]
    assert (np.diff(found.table, axis=0) > 0.0).all()
    assert (np.diff(found.table, axis=1) > 0.0).all()
    days = rain.loc["1998"].to_numpy()
    eve = rain[pd.Timestamp("1997-12-31", tz="UTC")]
    assert found.maxima.loc[1998, 2880.0] == pytest.approx(np.max(days + np.append(eve, days[:-1])))
    used = found.rows[found.rows["is_used"].astype(bool)]
    assert set(used.loc[used["is_beyond_record"].astype(bool), "return_period_years"]) == {100.0}
    made = prepare_rain(None, rain, options, Run())
    assert sorted(made.storms["duration_min"].unique()) == [2880.0, 5760.0]
