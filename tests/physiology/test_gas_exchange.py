import numpy as np
import pytest

from agreement.physiology.gas_checks import gas_column_checks
from agreement.physiology.gas_exchange import (
    btps_from_atps,
    haldane,
    pressure_from_volumes,
    pressure_overstatement,
    stpd_from_atps,
    stpd_from_btps,
    water_vapour_pressure,
)


@pytest.mark.parametrize(
    ("temperature", "printed"), [(18, 15.49), (20, 17.55), (22, 19.84), (30, 31.86)]
)
def test_water_vapour_of_the_handbook(temperature, printed):
    # printed (read): CRC Handbook of Chemistry and Physics, 62nd ed. 1981, saturated vapour. Our fit
    # is known to read up to 0.5 % low, which is the tolerance.
    assert water_vapour_pressure(temperature) == pytest.approx(printed, rel=0.005)


@pytest.mark.parametrize(("temperature", "printed"), [(20, 1.102), (21, 1.096), (22, 1.091)])
def test_btps_from_atps_of_the_printed_table(temperature, printed):
    # printed (read): table at 760 mmHg; formula in ATS laboratory manual, 3rd ed., p. 222
    assert btps_from_atps(temperature, 760) == pytest.approx(printed, abs=0.0006)


@pytest.mark.parametrize(
    ("factor", "computed"),
    [
        (stpd_from_btps(760), 0.8262),
        (stpd_from_btps(750), 0.8146),
        (stpd_from_atps(22, 760), 0.9013),
    ],
)
def test_volume_factors(factor, computed):  # gas laws; computed by hand with tabled vapour
    assert factor == pytest.approx(computed, abs=0.0001)


def test_conditions_agree_with_each_other():
    assert btps_from_atps(22, 745) * stpd_from_btps(745) == pytest.approx(
        float(stpd_from_atps(22, 745)), rel=1e-12
    )


def test_a_bag_of_expired_air():
    # printed (read): course page on expired gas, Glasgow: 47 L in 5 min at 25 C and 761 mmHg, 8.36;
    # with the tabled vapour pressure it is 8.353, so the tolerance is one last digit.
    assert 47 / 5 * stpd_from_atps(25, 761) == pytest.approx(8.36, abs=0.01)


def test_haldane_printed_example():
    # printed (read): course page on expired gas, Glasgow; it works on with VI rounded to 8.37
    gas = haldane(8.36, 0.168, 0.041, inspired_o2=0.2093, inspired_co2=0.0003)
    assert gas.inspired == pytest.approx(8.37, abs=0.005)
    assert gas.vo2 == pytest.approx(0.347, abs=0.0005)
    assert gas.vco2 == pytest.approx(0.340, abs=0.0005)


def test_haldane_by_hand():
    # computed: VI = 97.75 * 0.788 / 0.7903 = 97.4655
    gas = haldane(97.75, 0.1680, 0.0440)
    assert gas.vo2 == pytest.approx(97.4655 * 0.2093 - 97.75 * 0.168, abs=1e-4)
    assert gas.vco2 == pytest.approx(4.262, abs=0.0005)
    assert gas.rer == pytest.approx(1.0715, abs=0.00005)


def test_an_oxygen_fraction_wrong_by_a_thousandth():
    # computed in the reference: 0.1 % absolute lowers uptake by about 0.12 L/min
    change = haldane(97.75, 0.1690, 0.0440).vo2 - haldane(97.75, 0.1680, 0.0440).vo2
    assert change == pytest.approx(-0.12, abs=0.005)


def test_fractions_in_per_cent_are_refused():
    with pytest.raises(ValueError, match="fractions from 0 to 1"):
        haldane(97.75, 16.8, 4.4)


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
            "9.4% high",
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
    (found,) = gas_column_checks({k: np.array(v) for k, v in columns.items()}, **known)
    assert words in found.what
    assert found.column in columns


def test_missing_columns_are_no_disagreement():
    nothing = np.full(3, np.nan)
    columns = {"ve_l_min": nothing, "ve_stpd_l_min": nothing, "vo2_ml_min": [3000, 3000, 3000]}
    assert gas_column_checks(columns | {"rer": nothing}, mass_kg=70, pressure_mmhg=760) == ()
