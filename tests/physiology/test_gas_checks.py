import numpy as np
import pytest

from agreement.physiology.breath_notes import (
    gas_column_checks,
    pressure_from_volumes,
    pressure_overstatement,
)


def test_a_pressure_left_at_sea_level():
    assert pressure_overstatement(760, 700) == pytest.approx(0.092, abs=0.0005)
    # 119.9 L STPD beside 144.9 L BTPS (an open treadmill file): about 761 mmHg
    assert pressure_from_volumes(119.9, 144.9) == pytest.approx(761, abs=0.5)


# --- checks between columns -------------------------------------------------------------------------


def test_columns_that_fit_say_nothing():
    columns = {
        "ve_stpd_l_min": [119.9, 60.0],
        "ve_l_min": [144.9, 72.5],
        "vo2_ml_min": [3500, 1750],
        "vo2_ml_kg_min": [50, 25],
        "vco2_ml_min": [3850, 1925],
        "rer": [1.1, 1.1],
    }
    assert gas_column_checks(columns, mass_kg=70, pressure_mmhg=760) == ()


@pytest.mark.parametrize(
    ("columns", "known", "words"),
    [
        (
            {"ve_stpd_l_min": [119.9], "ve_l_min": [144.9]},
            {"pressure_mmhg": 700},
            "9.4 % high",
        ),  # 714.06 / 653
        ({"ve_stpd_l_min": [144.9], "ve_l_min": [119.9]}, {}, "swapped"),
        # by hand: 80/144.9 x 310.15/273.15 x 760 + 47 = 523 mmHg
        ({"ve_stpd_l_min": [80.0], "ve_l_min": [144.9]}, {}, "523 mmHg"),
        ({"ve_l_min": [2.4], "vo2_ml_min": [3500]}, {}, "0.686 L of air"),  # L/s for L/min
        ({"vo2_ml_min": [3500], "vo2_ml_kg_min": [50]}, {"mass_kg": 82}, "70.0 kg"),
        ({"rer": [110]}, {}, "per cent"),
        ({"rer": [1.3], "vo2_ml_min": [3000], "vco2_ml_min": [3300]}, {}, "1.10"),
    ],
)
def test_columns_that_do_not_fit_say_so(columns, known, words):
    ((column, what),) = gas_column_checks({k: np.array(v) for k, v in columns.items()}, **known)
    assert words in what
    assert column in columns


def test_missing_columns_are_no_disagreement():
    nothing = np.full(3, np.nan)
    columns = {"ve_l_min": nothing, "ve_stpd_l_min": nothing, "vo2_ml_min": [3000, 3000, 3000]}
    assert gas_column_checks(columns | {"rer": nothing}, mass_kg=70, pressure_mmhg=760) == ()
