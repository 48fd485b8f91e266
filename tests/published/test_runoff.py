"""Runoff against the table of the handbook that its formula comes from."""

import numpy as np
import pytest

from vaultplan.forecast.weather import runoff_in

# USDA-NRCS, Urban Hydrology for Small Watersheds, TR-55, 2nd ed., June 1986, table 2-1, p. 2-3:
# runoff depth (in) for curve numbers 40 to 95 by 5, and 98. Rows for 1, 3, 6 and 15 in of rain.
CURVE_NUMBERS = [*range(40, 100, 5), 98]
TABLE_2_1 = {
    1.0: [0, 0, 0, 0, 0, 0, 0, 0.03, 0.08, 0.17, 0.32, 0.56, 0.79],
    3.0: [0, 0.02, 0.09, 0.19, 0.33, 0.51, 0.71, 0.96, 1.25, 1.59, 1.98, 2.45, 2.77],
    6.0: [0.50, 0.80, 1.14, 1.52, 1.92, 2.35, 2.81, 3.28, 3.78, 4.30, 4.85, 5.41, 5.76],
    15.0: [
        *(5.33, 6.36, 7.35, 8.29, 9.19, 10.04, 10.85),
        *(11.63, 12.37, 13.07, 13.74, 14.39, 14.76),
    ],
}


@pytest.mark.parametrize("rain_in", TABLE_2_1)
def test_runoff_is_that_of_tr_55_table_2_1(rain_in):
    found = [float(runoff_in(np.array([rain_in]), number)[0]) for number in CURVE_NUMBERS]
    assert found == pytest.approx(TABLE_2_1[rain_in], abs=0.0051)


def test_there_is_no_runoff_up_to_a_fifth_of_what_the_ground_holds():
    # S = 1000 / CN - 10 (TR-55 eq. 2-4): 2.5 in for CN 80.
    assert runoff_in(np.array([0.0, 0.49, 0.5]), 80.0).tolist() == [0.0, 0.0, 0.0]
    assert runoff_in(np.array([0.51]), 80.0)[0] > 0
