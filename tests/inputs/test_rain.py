"""Rain and evaporation in the shapes that agencies publish."""

from __future__ import annotations

import zipfile

import numpy as np
import pandas as pd
import pytest

from catchscreen.brief_sources import Source
from catchscreen.errors import InputsAtFault
from catchscreen.inputs.columns import as_numbers
from catchscreen.inputs.rain_table import minutes_of
from catchscreen.inputs.tables import parse_text

WIDE = "duration,1 in 2,1 in 30\n15 min,7.5,17\n1 h,13,30\n1 day,38,71\n"
LONG = "duration_min;return_period;depth_mm\n15;2;7,5\n15;30;17\n60;2;13\n60;30;30\n1440;2;38\n1440;30;71\n"
YEAR = pd.date_range("2020-01-01", periods=400)
HOURS = "duration_h,T2,T30\n24,38,71\n0.25,7.5,17\n1,13,30\n"


def write(place, text, name="rain.csv"):
    (place.folder / name).write_text(text, encoding="utf-8")
    return name


@pytest.mark.parametrize("text", [WIDE, LONG, HOURS])
def test_rain_tables_in_three_shapes(place, text):
    table = place.load(rain_table=write(place, text))[0].rain_table
    assert table.index.tolist() == [15, 60, 1440]
    assert table.columns.tolist() == [2, 30]
    assert table.loc[15].tolist() == [7.5, 17]
    assert (table.index.name, table.columns.name) == ("duration_min", "return_period_years")


def test_a_rain_table_inline_and_as_a_frame(place):
    inline = {"return_periods_years": [2, 30], "depths_mm": {"60": [13, 30], "15": [7.5, 17]}}
    table = place.load(rain_table=inline)[0].rain_table
    assert table.to_numpy().tolist() == [[7.5, 17], [13, 30]]
    again = place.load(rain_table=table)[0].rain_table
    pd.testing.assert_frame_equal(again, table)
    inches = place.load(rain_table={**inline, "unit": "inch"} | {"depths_mm": {"60": [1, 2]}})[0].rain_table
    assert inches.loc[60].tolist() == [25.4, 50.8]


FAULTY_TABLES = [
    (
        "duration,2,30\n15,7,6\n60,13,30\n",
        "not-rising",
        (
            'Row 1 below the header, column "30" (15 min, 1-in-30 years): 6 mm does not rise with return period; '
            'row 1 below the header, column "2" (15 min, 1-in-2 years) has 7 mm.'
        ),
    ),
    (
        "duration,2,30\n15,17,18\n60,13,30\n",
        "not-rising",
        (
            'Row 2 below the header, column "2" (60 min, 1-in-2 years): 13 mm does not rise with duration; '
            'row 1 below the header, column "2" (15 min, 1-in-2 years) has 17 mm.'
        ),
    ),
    (
        "duration,2,30\n15,7,\n60,13,30\n",
        "missing-value",
        'Row 1 below the header, column "30" (15 min, 1-in-30 years) holds nothing, no depth.',
    ),
    (
        "duration,T2,T30\n60,13,30\n15,7,17 mm\n",
        "missing-value",
        'Row 2 below the header, column "T30" (15 min, 1-in-30 years) holds "17 mm", no depth.',
    ),
    (
        "duration,2,30\n15,,\n60,13,wet\n",
        "missing-value",
        'Row 1 below the header, column "2" (15 min, 1-in-2 years) holds nothing, no depth, and 2 more cells.',
    ),
    ("duration,2,30\nsoon,7,9\n60,13,30\n", "wrong-shape", 'Row 1 below the header, column "duration": "soon" is no'),
    ("duration,a,b\n15,7,9\n60,13,30\n", "wrong-shape", "No column is headed by a return period."),
    ("duration,2,30\n15,7,9\n15,13,30\n", "duplicate-id", "The duration of 15 min stands twice."),
    ("duration,2,30\n15,7,9\n99999999,13,30\n", "implausible-value", "A duration of 1e+08 min is implausible."),
    ("duration,0.001,30\n15,7,9\n60,13,30\n", "implausible-value", "A return period of 0.001 years is implausible."),
    (
        "duration,2,30\n15,7000,9000\n60,13000,30000\n",
        "implausible-value",
        'Row 1 below the header, column "2" (15 min, 1-in-2 years): a depth of 7000 mm is implausible, and 3 more',
    ),
    (
        "duration,2,30\n15,7,9\n60,13,30\n120,14,75\n",
        "too-steep",
        'Row 3 below the header, column "30" (120 min, 1-in-30 years): 75 mm is a greater mean intensity',
    ),
    (
        "duration_min;return_period;depth_mm\n15;2;7\n15;30;17\n60;2;13\n60;2;14\n60;30;30\n",
        "duplicate-id",
        '60 min, 1-in-2 years stands twice, the second time in row 4 below the header, column "depth_mm".',
    ),
    (
        "duration_min;return_period;depth_mm\n15;2;7\n15;often;17\n",
        "wrong-shape",
        'Row 2 below the header, column "return_period": "often" is no return period.',
    ),
    (
        "duration_min;return_period;depth_mm\n15;2;7\n15;30;17\n60;2;13\n",
        "missing-value",
        "No row (60 min, 1-in-30 years) holds nothing, no depth.",
    ),
]


@pytest.mark.parametrize(("text", "code", "said"), FAULTY_TABLES)
def test_a_faulty_rain_table_names_the_cell(place, text, code, said):
    with pytest.raises(InputsAtFault) as caught:
        place.load(rain_table=write(place, text))
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].message.startswith(said)
    assert caught.value.faults[0].file.endswith("rain.csv")


@pytest.mark.parametrize(
    ("depths", "code", "said"),
    [
        ({"15": [7, 6], "60": [13, 30]}, "not-rising", "depths_mm.15, value 2 (15 min, 1-in-30 years): 6 mm does not"),
        ({"15": [7], "60": [13, 30]}, "wrong-shape", "depths_mm.15 has 1 depths for 2 return periods."),
        ({"soon": [7, 9]}, "wrong-shape", 'The key "soon" of depths_mm is no duration.'),
        ({"15": [7, 9], "1 h": [13, 99]}, "too-steep", "depths_mm.1 h, value 2 (60 min, 1-in-30 years): 99 mm is a"),
    ],
)
def test_a_faulty_table_in_the_brief_names_its_key(place, depths, code, said):
    with pytest.raises(InputsAtFault) as caught:
        place.load(rain_table={"return_periods_years": [2, 30], "depths_mm": depths})
    assert [fault.code for fault in caught.value.faults] == [code]
    assert caught.value.faults[0].message.startswith(said)
    assert caught.value.faults[0].key == "rain_table"


def test_durations():
    assert [minutes_of(text, 1) for text in ("15", "15 min", "1 h", "1h", "2 hours", "1 day", "0,5 h", "x", "3 y")] == [
        15, 15, 60, 60, 120, 1440, 30, None, None,
    ]  # fmt: skip


def test_hours_1_to_24_traces_missing_codes_and_gaps(place):
    """Rain of hour 1 of 1 January falls from 0:00 to 1:00; -1 is a trace; -9999 is missing; one row is left out."""
    rows = [(20200101, hour, hour) for hour in range(1, 25)] + [
        (20200102, 1, -1),
        (20200102, 2, -9999),
        (20200102, 4, 5),
    ]
    text = "# Station 7, tenths of a millimetre\n\n# DATE, HH, RH\n" + "".join(
        f"{a},{b:5d},{c:5d}\n" for a, b, c in rows
    )
    data, issues = place.load(rain_series={"file": write(place, text), "unit": "0.1 mm"})
    rain = data.rain_series
    assert rain.index[0] == pd.Timestamp("2020-01-01 00:00", tz="UTC")
    assert rain.iloc[:24].tolist() == pytest.approx([hour / 10 for hour in range(1, 25)])
    assert rain.iloc[24] == 0
    assert rain.iloc[25:27].isna().all()
    assert rain.iloc[27] == pytest.approx(0.5)
    assert {"traces", "missing-code", "gaps", "short-series"} <= {issue.code for issue in issues}


def test_whole_numbers_with_traces_need_a_unit(place):
    text = "time,rain\n" + "".join(f"2020-01-01 {hour:02d}:00,{-1 if hour == 3 else hour}\n" for hour in range(24))
    with pytest.raises(InputsAtFault, match=r'Set unit = "0\.1 mm"'):
        place.load(rain_series=write(place, text))
    assert place.load(rain_series={"file": "rain.csv", "unit": "mm"})[0].rain_series.sum() == 276 - 3


def test_local_time_with_a_clock_change_comes_out_even(place):
    """28 March 2021 has 23 hours in London, 31 October 25: hours run through in UTC."""
    index = pd.date_range("2021-03-27", "2021-11-02", freq="h", tz="Europe/London", inclusive="left")
    text = "time,rain_mm\n" + "".join(f"{time:%Y-%m-%d %H:%M},{n % 7 / 5}\n" for n, time in enumerate(index))
    rain = place.load(rain_series={"file": write(place, text), "time_zone": "Europe/London"})[0].rain_series
    assert len(rain) == len(index)
    assert not rain.isna().any()
    np.testing.assert_array_equal(rain.index, index.tz_convert("UTC"))


def test_a_clock_that_writes_the_double_hour_once(place):
    """31 October 2021 in London: 01:00 stands once, so one hour of rain was never written and stays a gap."""
    index = pd.date_range("2021-10-30", "2021-11-02", freq="h", inclusive="left")
    text = "time,rain_mm\n" + "".join(f"{time:%Y-%m-%d %H:%M},1\n" for time in index)
    data, issues = place.load(rain_series={"file": write(place, text), "time_zone": "Europe/London"})
    rain = data.rain_series
    assert len(rain) == 73
    assert rain.index[rain.isna()].tolist() == [pd.Timestamp("2021-10-31 01:00", tz="UTC")]
    assert rain.sum() == 72
    assert "gaps" in {issue.code for issue in issues}


def test_a_clock_that_writes_an_hour_that_was_not(place):
    """28 March 2021 has no 01:00 in London: written all the same, it stands twice in UTC, and that is said."""
    index = pd.date_range("2021-03-27", "2021-03-30", freq="h", inclusive="left")
    text = "time,rain_mm\n" + "".join(f"{time:%Y-%m-%d %H:%M},1\n" for time in index)
    data, issues = place.load(rain_series={"file": write(place, text), "time_zone": "Europe/London"})
    assert len(data.rain_series) == 71
    assert not data.rain_series.isna().any()
    assert any(issue.message.startswith("1 times stand twice") for issue in issues)


def test_days_that_end_at_24_00(place):
    """Hours written 01:00 to 24:00 stamp the end of the hour: the first one begins at 0:00."""
    text = "time,rain\n" + "".join(
        f"2020-01-{day:02d} {hour:02d}:00,{hour}\n" for day in (1, 2) for hour in range(1, 25)
    )
    rain = place.load(rain_series=write(place, text))[0].rain_series
    assert rain.index[0] == pd.Timestamp("2020-01-01 00:00", tz="UTC")
    assert rain.tolist() == [*range(1, 25), *range(1, 25)]


@pytest.mark.parametrize("minutes", [5, 15, 60, 1440])
def test_steps_of_minutes_hours_and_days(place, minutes):
    """The step is read from the times; the series is the same whatever it is."""
    index = pd.date_range("2020-03-01", periods=600, freq=f"{minutes}min")
    text = "time,rain\n" + "".join(f"{time:%Y-%m-%dT%H:%M},{n % 3 / 10}\n" for n, time in enumerate(index))
    rain = place.load(rain_series=write(place, text))[0].rain_series
    assert len(rain) == 600
    assert (rain.index[1] - rain.index[0]) == pd.Timedelta(minutes=minutes)
    assert rain.sum() == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("body", "same"),
    [
        ("2020-01-01 00:00,1.5\n2020-01-01 01:00,2\n2020-01-01 02:00,x\n", '"2020-01-01 00:00",1.5\n'),
        ("2020-01-01 00:00 , 1.5\n2020-01-01 01:00,2 \n2020-01-01 02:00,\n", '"2020-01-01 00:00 ", 1.5\n'),
    ],
)
def test_plain_and_quoted_text_read_alike(place, body, same):
    """One quoted field sends the whole text the slow way, field by field: the frames are the same."""
    source = Source().placed(role="rain_series", folder=place.folder)
    quick = parse_text("time,rain\n" + body, source)
    slow = parse_text("time,rain\n" + same + body.split("\n", 1)[1], source)
    pd.testing.assert_frame_equal(quick, slow)


def test_uneven_lines_are_padded_and_cut(place):
    text = "a,b,c\n" + "1,2,3\n" * 5 + "4,5\n6,7,8,9\n"
    frame = parse_text(text, Source().placed(role="rain_series", folder=place.folder))
    assert frame.iloc[-2:].to_numpy().tolist() == [["4", "5", ""], ["6", "7", "8"]]


def test_offsets_of_a_clock_change_come_out_in_utc(place):
    """Times that carry their own offset: +00:00, then +01:00 from 01:00 UTC on; mixed offsets are brought to UTC."""
    text = "time,rain\n2021-03-28T00:00+00:00,1\n2021-03-28T02:00+01:00,2\n2021-03-28T03:00+01:00,3\n"
    rain = place.load(rain_series=write(place, text))[0].rain_series
    assert rain.index.tolist() == pd.date_range("2021-03-28", periods=3, freq="h", tz="UTC").tolist()
    assert rain.tolist() == [1, 2, 3]


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("mm", 1.0), ("0.1 mm", 0.1), ("cm", 10.0), ("m", 1000.0), ("inch", 25.4), ("0.01 inch", 0.254)],
)
def test_every_unit_comes_out_in_mm(place, unit, factor):
    """A day of hours that sum to 24 mm, written in each unit."""
    text = "time,rain\n" + "".join(f"2020-01-01 {hour:02d}:00,{1.0 / factor:.9g}\n" for hour in range(24))
    rain = place.load(rain_series={"file": write(place, text), "unit": unit})[0].rain_series
    assert rain.tolist() == pytest.approx([1.0] * 24)


def test_odd_values_are_named_by_their_place(place):
    text = "time,rain\n2020-01-01 00:00,1\n2020-01-01 01:00,wet\n2020-01-01 02:00,\n2020-01-01 03:00,1\n"
    _, issues = place.load(rain_series=write(place, text))
    said = next(issue for issue in issues if issue.code == "not-a-number")
    assert said.message == '1 depths are no numbers, such as "wet" (value 2).'
    with pytest.raises(InputsAtFault, match=r'"soon" is no date \(value 3\)'):
        place.load(rain_series=write(place, text.replace("2020-01-01 02:00", "soon")))


def test_stamps_at_the_end_of_the_step(place):
    text = "date,rain_mm\n31/01/2020,1.5\n01/02/2020,2\n02/02/2020,0\n"
    rain = place.load(rain_series={"file": write(place, text), "stamp": "end"})[0].rain_series
    assert rain.index[0] == pd.Timestamp("2020-01-30", tz="UTC")
    assert rain.tolist() == [1.5, 2, 0]


def test_a_series_straight_in(place):
    index = pd.date_range("2000-01-01", periods=5000, freq="h")
    rain = place.load(rain_series=pd.Series(0.1, index=index))[0].rain_series
    assert rain.sum() == pytest.approx(500)
    assert str(rain.index.tz) == "UTC"


@pytest.mark.parametrize(
    ("settings", "text", "code"),
    [
        ({}, "time,rain\n2020-01-01,1\n2020-01-02,1\nsoon,1\n", "not-a-date"),
        ({}, "a,b\n1,2\n3,4\n", "missing-column"),
        ({"time_zone": "Mars"}, "time,rain\n2020-01-01,1\n2020-01-02,1\n", "unknown-time-zone"),
        (
            {},
            "time,rain\n" + "".join(f"2020-01-01 0{time},1\n" for time in ("0:00", "1:00", "2:20", "3:20")),
            "uneven-steps",
        ),
        ({}, "just words\nand more\n", "unreadable-file"),
        ({"unit": "m"}, "time,rain\n" + "".join(f"{day:%Y-%m-%d},2\n" for day in YEAR), "implausible-value"),
    ],
)
def test_faulty_series(place, settings, text, code):
    with pytest.raises(InputsAtFault) as caught:
        place.load(rain_series={"file": write(place, text), **settings})
    assert [fault.code for fault in caught.value.faults] == [code]


def test_temperatures_of_days_stand_in_for_evaporation(place):
    """A table with the extremes of temperature and no evaporation is handed on as such; impossible days are refused."""
    text = "date,tmax,tmin\n2021-07-06,26.6,14.8\n2021-07-07,20.0,12.0\n"
    frame = place.load(evaporation=write(place, text))[0].evaporation
    assert list(frame.columns) == ["tmax_c", "tmin_c"]
    assert frame.iloc[0].tolist() == [26.6, 14.8]
    with pytest.raises(InputsAtFault):
        place.load(evaporation=write(place, text.replace("14.8", "34.8")))


def test_evaporation_by_month_and_by_day(place):
    monthly = [0.4, 0.7, 1.2, 1.9, 2.6, 3.0, 3.1, 2.7, 1.8, 1.0, 0.5, 0.3]
    series = place.load(evaporation={"monthly_mm_per_day": monthly})[0].evaporation
    assert series.index.tolist() == list(range(1, 13))
    assert series.tolist() == monthly
    text = "month,pet\n" + "".join(f"{n},{value * 30}\n" for n, value in enumerate(monthly, start=1))
    by_month = place.load(evaporation={"file": write(place, text), "unit": "mm/month"})[0].evaporation
    assert by_month[4] == pytest.approx(1.9)
    text = "date,pet\n2020-01-01,0.5\n2020-01-02,0.7\n2020-01-03,0.7\n"
    daily = place.load(evaporation=write(place, text))[0].evaporation
    assert daily.index[0] == pd.Timestamp("2020-01-01", tz="UTC")
    with pytest.raises(InputsAtFault, match="Give twelve"):
        place.load(evaporation={"monthly_mm_per_day": [1, 2]})


def test_monthly_totals_are_known_as_such(place):
    """30 mm in January cannot be the rate of a day: 31 mm a month is 1 mm a day."""
    text = "month,evaporation_mm\n" + "".join(f"{month},31\n" for month in range(1, 13))
    data, issues = place.load(evaporation=write(place, text))
    assert data.evaporation[1] == pytest.approx(1.0)
    assert any(issue.code == "taken-as-monthly" for issue in issues)


def test_tables_inside_zips(place):
    with zipfile.ZipFile(place.folder / "rain.zip", "w") as archive:
        archive.writestr("a/table.csv", WIDE)
    assert len(place.load(rain_table="rain.zip")[0].rain_table) == 3
    assert len(place.load(rain_table="rain.zip/a/table.csv")[0].rain_table) == 3
    with zipfile.ZipFile(place.folder / "rain.zip", "a") as archive:
        archive.writestr("b.csv", WIDE)
    with pytest.raises(InputsAtFault, match=r'file = "rain\.zip/a/table\.csv"'):
        place.load(rain_table="rain.zip")


def test_decimal_commas_and_odd_numbers():
    values = as_numbers(pd.Series(["1,5", " 2.5 ", "x", None]))
    assert values.tolist()[:2] == [1.5, 2.5]
    assert values.isna().tolist() == [False, False, True, True]


@pytest.mark.parametrize(
    ("given", "idle"),
    [
        ({"rain": {"return_periods_years": [0.5, 10_000]}}, "return_periods_years in [rain] does nothing"),
        ({"rain": {"uplift": [1.1, 1.2], "durations_min": [60]}}, "durations_min, uplift in [rain] do nothing"),
        ({"rain": {"plain_depths_mm": [20]}}, None),
        ({"rain": {"uplift": [1.1, 1.2], "intensity_formula": [500, 0.2, 5, 0.8]}}, None),
        ({}, None),
    ],
)
def test_settings_of_storms_that_nothing_heeds_are_named(place, given, idle):
    """Without a table, a series or a formula plain depths are run, which have neither return period nor climate."""
    _, issues = place.load(**given)
    said = [issue.message for issue in issues if issue.code == "idle-setting"]
    assert len(said) == (idle is not None)
    assert idle is None or idle in said[0]
