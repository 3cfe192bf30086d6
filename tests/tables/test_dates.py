"""Dates and times: ISO 8601, or an order that is decided; zones never guessed."""

import numpy as np
import pandas as pd
import pytest

from agreement.tables.dates import _quick

HEAD = "athlete_id,taken_at,method,mode,vo2max_ml_kg_min\n"


def estimates(*times):
    return HEAD + "".join(f"A1,{one},wrist,run,50.5\n" for one in times)


def lab(*dates):
    head = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\n"
    return head + "".join(f"T{i},A1,{one},run,5{i}.5\n" for i, one in enumerate(dates))


def test_the_order_of_day_and_month_is_never_guessed(folder):
    found = folder.put(lab_tests_csv=lab("03/04/2026", "05/06/2026", "01/02/2026")).inspect()
    stop = found.one("stop", "date_order")
    assert stop.column == "date"
    assert "03/04/2026 is 2026-04-03 or 2026-03-04" in stop.what
    assert "01/02/2026 is 2026-02-01 or 2026-01-02" in stop.what
    assert 'Set date_order = "day-first" or "month-first" in [files.lab_tests]' in stop.remedy


def test_text_without_a_text_type_is_not_left_to_a_parser_that_guesses():
    # what an old pyarrow hands over; pandas turns 03/04/2026 into the 4th of March there
    assert _quick(pd.Series(["03/04/2026"], dtype=object)) is None


@pytest.mark.parametrize(
    ("dates", "days", "order"),
    [
        (["03.04.2026", "25.04.2026"], ["2026-04-03", "2026-04-25"], "day-first"),
        (["3/4/2026", "4/25/2026"], ["2026-03-04", "2026-04-25"], "month-first"),
        (["25-04-2026", "2026-04-03"], ["2026-04-25", "2026-04-03"], "day-first"),
    ],
)
def test_an_order_that_the_column_decides_is_used_and_reported(folder, dates, days, order):
    found = folder.put(lab_tests_csv=lab(*dates)).inspect()
    assert list(found.tables.lab_tests["date"]) == [pd.Timestamp(d) for d in days]
    assert f"Read the dates {order}" in found.one("note", "format_found").what


@pytest.mark.parametrize("text", ["2026/03/04", "2026.03.04", "20260304", "2026-3-4"])
def test_a_year_in_front_leaves_nothing_to_decide(folder, text):
    found = folder.put(lab_tests_csv=lab(text)).inspect()
    assert list(found.tables.lab_tests["date"]) == [pd.Timestamp("2026-03-04")]


@pytest.mark.parametrize(
    ("order", "day"), [("day-first", "2026-04-03"), ("month-first", "2026-03-04")]
)
@pytest.mark.parametrize("text", ["03/04/2026", "3.4.2026", "03-04-26"])
def test_an_order_that_is_stated_is_used(folder, order, day, text):
    folder.put(study_toml=f'{folder.ZONE}[files.lab_tests]\ndate_order = "{order}"\n')
    found = folder.put(lab_tests_csv=lab(text)).inspect()
    assert list(found.tables.lab_tests["date"]) == [pd.Timestamp(day)]
    assert not found.of("note", "format_found")


def test_columns_that_contradict_themselves_stop(folder):
    found = folder.put(lab_tests_csv=lab("03/04/2026", "25/04/2026", "04/25/2026")).inspect()
    stop = found.one("stop", "date_order")
    assert stop.what == (
        "Both orders are in use: row 3 '25/04/2026' can only be day-first, row 4 '04/25/2026' only "
        "month-first."
    )
    assert (stop.row, stop.column) == (3, "date")
    assert stop.remedy == "Write all dates of the column like 2026-03-04."
    found = folder.put(lab_tests_csv=lab("04/25/2026", "25/04/2026")).inspect()
    assert found.one("stop", "date_order").what.startswith(
        "Both orders are in use: row 2 '04/25/2026' can only be month-first, row 3"
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("soon", "'soon' is not a date."),
        ("2026-02-30", "'2026-02-30' is not a date."),
        ("31.02.2026", "'31.02.2026' is not a date."),
        ("2026", "'2026' is not a date."),
        ("46101", "'46101' is a spreadsheet's day count, not a date."),
        ("0026-03-02", "'0026-03-02' is not between 1950 and 2100."),
    ],
)
def test_what_is_no_date_stops_with_its_row(folder, text, says):
    stop = folder.put(lab_tests_csv=lab("2026-03-01", text)).inspect().one("stop", "not_a_date")
    assert (stop.row, stop.column, stop.what) == (3, "date", says)


@pytest.mark.parametrize("text", ["", " ", "NA", "-", "nan"])
def test_a_missing_date_is_set_aside(folder, text):
    found = folder.put(lab_tests_csv=lab("2026-03-01", text)).inspect()
    assert found.reasons() == {3: "missing_value"}
    assert found.one("set_aside", "missing_value").what.startswith("No date")


def test_times_without_zone_stop_unless_the_study_names_one(folder):
    folder.put(
        study_toml="", field_estimates_csv=estimates("2026-03-01T09:00:00", "2026-03-01T09:00:00Z")
    )
    stop = folder.inspect().one("stop", "time_zone")
    assert (stop.row, stop.column) == (2, "taken_at")
    assert stop.what == "1 times have no zone, first 2026-03-01 09:00:00."
    assert "time_zone" in stop.remedy
    kept = folder.put(study_toml=folder.ZONE).inspect().tables.field_estimates
    assert list(kept["instant"]) == [
        pd.Timestamp("2026-03-01 08:00"),
        pd.Timestamp("2026-03-01 09:00"),
    ]


def test_days_alone_need_no_zone(folder):
    found = folder.put(
        study_toml="", field_estimates_csv=estimates("2026-03-01", "2026-03-02")
    ).inspect()
    assert list(found.tables.field_estimates["date"]) == [
        pd.Timestamp("2026-03-01"),
        pd.Timestamp("2026-03-02"),
    ]


@pytest.mark.parametrize(
    ("text", "instant", "day"),
    [
        ("2026-03-15T00:30:00+01:00", "2026-03-14 23:30", "2026-03-15"),
        ("2026-03-14T23:30:00Z", "2026-03-14 23:30", "2026-03-15"),
        ("2026-03-14 18:30-0500", "2026-03-14 23:30", "2026-03-15"),
        ("2026-03-14T23:30:00.25Z", "2026-03-14 23:30:00.25", "2026-03-15"),
        ("2026-03-15T00:30", "2026-03-14 23:30", "2026-03-15"),
        ("2026-07-15T00:30", "2026-07-14 22:30", "2026-07-15"),  # summer time
        ("15.03.2026 00:30", "2026-03-14 23:30", "2026-03-15"),
        ("15.03.2026, 0:30:00", "2026-03-14 23:30", "2026-03-15"),
    ],
)
def test_a_time_is_an_instant_and_a_day_in_the_studys_zone(folder, text, instant, day):
    other = "2026-03-20T12:00:00+01:00"
    quoted = f'"{text}"' if "," in text else text
    for times in ((quoted,), (quoted, other)):
        first = (
            folder.put(field_estimates_csv=estimates(*times))
            .inspect()
            .tables.field_estimates.iloc[0]
        )
        assert first["instant"] == pd.Timestamp(instant)
        assert first["date"] == pd.Timestamp(day)


def test_times_that_fall_on_another_day_in_the_studys_zone_are_counted(folder):
    late = [f"2026-03-{day}T23:30:00Z" for day in (14, 15, 16)]
    found = folder.put(field_estimates_csv=estimates("2026-03-14T12:00:00Z", *late)).inspect()
    first, rest = found.of("note", "time_zone")
    assert (first.row, first.column) == (3, "taken_at")
    assert first.what == ("Written as 2026-03-14 23:30:00, it falls on another day in Europe/Oslo.")
    assert rest.what == "2 more rows have the same problem."


def test_without_a_zone_days_are_counted_as_written(folder):
    times = ("2026-03-15T00:30:00+01:00", "2026-03-14T23:30:00Z")
    found = folder.put(study_toml="", field_estimates_csv=estimates(*times)).inspect()
    assert list(found.tables.field_estimates["date"].dt.day) == [15, 14]
    assert (
        found.one("note", "time_zone").what
        == "Days are counted in the zone in which each time is written."
    )


def test_hours_that_the_clock_change_doubles_or_skips_are_noted(folder):
    # Central Europe 2026: clocks go forward on 29 March at 02:00, back on 25 October at 03:00
    times = ("2026-03-29T02:30:00", "2026-10-25T02:30:00", "2026-10-25T03:30:00")
    found = folder.put(field_estimates_csv=estimates(*times)).inspect()
    assert [p.row for p in found.of("note", "clock_change")] == [2, 3]
    assert list(found.tables.field_estimates["instant"]) == [
        pd.Timestamp("2026-03-29 01:00"),  # the moment after the gap
        pd.Timestamp("2026-10-25 00:30"),  # the first of the two
        pd.Timestamp("2026-10-25 02:30"),
    ]


def test_a_laboratory_date_may_be_a_time(folder):
    found = folder.put(
        lab_tests_csv=lab("2026-03-14T23:30:00Z", "2026-03-20", "2026-03-21 00:00:00")
    ).inspect()
    assert list(found.tables.lab_tests["date"].dt.day) == [15, 20, 21]


def test_the_quick_and_the_careful_way_agree(folder, monkeypatch):
    rng = np.random.default_rng(1)
    hours = pd.Timestamp("2025-01-01") + pd.to_timedelta(rng.integers(0, 9000, 60), unit="h")
    for ending in ("", "Z", "+05:30", "-0330"):
        times = [f"{t:%Y-%m-%dT%H:%M:%S}{ending}" for t in hours]
        for zone in ("", folder.ZONE) if ending else (folder.ZONE,):
            folder.put(study_toml=zone, field_estimates_csv=estimates(*times))
            quick = folder.inspect().tables.field_estimates
            with monkeypatch.context() as patch:
                patch.setattr("agreement.tables.dates._quick", lambda *_: None)
                careful = folder.inspect().tables.field_estimates
            assert quick.equals(careful)
