"""Categories of the integrated report on waters.

U.S. Environmental Protection Agency, Water Quality Standards Academy: under sections 303(d) and
305(b) of the Clean Water Act waters are put into category 1, 2, 3, 4a (impaired, plan approved), 4b
(impaired, other controls), 4c (impaired, but not by a pollutant) or 5 (impaired, plan needed: the
303(d) list).
"""

import pandas as pd
import pytest

from vaultplan.discharge.reached import impaired_by
from vaultplan.settings import DischargeSettings


@pytest.mark.parametrize(
    ("category", "by_a_pollutant"),
    [("1", False), ("2", False), ("3", False), ("4a", True), ("4b", True), ("4c", False),
     ("5", True)],
)  # fmt: skip
def test_only_4a_4b_and_5_are_impaired_by_a_pollutant(category, by_a_pollutant):
    for written in (category, f"Category {category.upper()}", f"flow;{category}"):
        said = pd.Series([written], dtype="str")
        assert impaired_by(said, DischargeSettings().vault_pollutants)[0] == by_a_pollutant
