import numpy as np
import pytest

from agreement.physiology.equations import (
    KG_M_MIN_PER_WATT,
    METRES_PER_MILE,
    cycling_vo2,
    end_of_ramp_vo2,
    running_vo2,
    walking_vo2,
    work_rate_vo2,
)


@pytest.mark.parametrize(
    ("speed", "grade", "printed", "half_digit"),
    [
        (93.8, 0.10, 29.76, 0.005),  # ACSM worked example (read)
        (80.5, 0.02, 14.4, 0.051),  # protocol table of an open treadmill file (read): 14.448
        (3 * METRES_PER_MILE / 60, 0.05, 18.74, 0.05),  # university problem set in mph (read)
        (75, 0.10, 24.5, 0.05),  # university practice problems (read)
    ],
)
def test_walking_printed(speed, grade, printed, half_digit):
    assert walking_vo2(speed, grade) == pytest.approx(printed, abs=half_digit)


@pytest.mark.parametrize(
    ("speed", "grade", "printed", "half_digit"),
    [
        (214.6, 0.12, 69.6, 0.05),  # protocol table of an open treadmill file (read)
        (214.4, 0.0, 46.38, 0.005),  # metabolic calculation sheet (read)
    ],
)
def test_running_printed(speed, grade, printed, half_digit):
    assert running_vo2(speed, grade) == pytest.approx(printed, abs=half_digit)


def test_cycling_printed():
    # ACSM worked example (read): 62 kg at 450 kg.m/min, printed as 20. It counts 6 kg.m/min per watt
    # and 1.8 mL per kg.m; ours counts 10.8 per watt.
    assert cycling_vo2(450 / 6, 62) == pytest.approx(20, abs=0.5)
    assert cycling_vo2(250, 70) == pytest.approx(45.57, abs=0.005)  # computed by hand
    assert pytest.approx(0.1634, abs=0.00005) == 1 / KG_M_MIN_PER_WATT


def test_five_kilograms_too_many_on_a_cycle():  # computed: 45.57 -> 43.00
    assert cycling_vo2(250, 75) - cycling_vo2(250, 70) == pytest.approx(-2.571, abs=0.0005)


def test_end_of_a_ramp():  # coefficients: Foster 1996 (read); computed by hand
    assert end_of_ramp_vo2(50) == pytest.approx(43.38, abs=0.005)
    assert end_of_ramp_vo2(50, handrail=True) == pytest.approx(38.03, abs=0.005)


def test_work_rate_by_mode():
    assert work_rate_vo2("run", speed_m_s=200 / 60) == pytest.approx(43.5)
    assert work_rate_vo2("walk", speed_m_s=93.8 / 60, grade=0.1) == pytest.approx(29.76, abs=0.005)
    assert work_rate_vo2("cycle", power_w=250, mass_kg=70) == pytest.approx(45.57, abs=0.005)
    assert np.isnan(work_rate_vo2("ski", speed_m_s=np.array([3.0, 4.0]))).tolist() == [True, True]
