"""Printed worked examples of physiology, and ours: gases, work rates, heart rate, a two-mile run."""

from collections.abc import Iterator

import numpy as np
from trust_rows import Row

from agreement.physiology.equations import METRES_PER_MILE, running_vo2, walking_vo2
from agreement.physiology.field_tests import protocol
from agreement.physiology.heart_rate import heart_rate_extrapolation
from agreement.tables.options import Extrapolation

ANY_POINTS = Extrapolation(
    minimum_hr_span_bpm=0, minimum_points=2, minimum_top_share_of_hr_max=0
)  # the example has two stages, as the manual wants it


def physiology_rows() -> Iterator[Row]:
    """All of them."""
    yield from work_rates()
    yield from exercise_tests()


def work_rates() -> Iterator[Row]:
    """Oxygen cost of walking and running."""
    for source, quantity, printed, ours, slack in (
        ("ACSM worked example", "walking, 93.8 m/min, 10 %", "29.76", walking_vo2(93.8, 0.10), 0.5),
        ("practice problems", "walking, 75 m/min, 10 %", "24.5", walking_vo2(75, 0.10), 0.5),
        (
            "protocol table of an open file",
            "walking, 80.5 m/min, 2 %",
            "14.4",
            walking_vo2(80.5, 0.02),
            0.5,
        ),
        (
            "protocol table of an open file",
            "running, 214.6 m/min, 12 %",
            "69.6",
            running_vo2(214.6, 0.12),
            0.5,
        ),
        ("metabolic calculation sheet", "running, 214.4 m/min", "46.38", running_vo2(214.4), 0.5),
    ):
        yield Row(source, "read", quantity, printed, float(ours), slack=slack)
    ours = float(walking_vo2(3 * METRES_PER_MILE / 60, 0.05))
    note = "the print counts in miles per hour, rounded"
    quantity, source = "walking, 3 mph, 5 %", "university problem set"
    yield Row(source, "read", quantity, "18.74", ours, slack=5, note=note)


def exercise_tests() -> Iterator[Row]:
    """A two-stage extrapolation, and a run."""
    found = heart_rate_extrapolation(
        [120, 140], [23.3, 31.4], 180, form="hr_on_vo2", guards=ANY_POINTS
    )
    source = "fitness procedures manual of a national health survey, appendix G"
    for quantity, printed, ours in (
        ("slope, bpm per mL/kg/min", "2.469", 1 / found.slope),
        ("intercept, bpm", "62.47", -found.intercept / found.slope),
        ("VO2max, mL/kg/min", "47.6", found.vo2max),
    ):
        yield Row(source, "read", quantity, printed, float(ours))
    run = protocol("run_2mile_1987")
    ours = float(run.equation({"time_min": np.float64(12.6)}))
    source = "army field manual 21-20, appendix F, 2 miles in 12.6 min"
    yield Row(source, "read", "VO2max, mL/kg/min", "57.49", ours)
