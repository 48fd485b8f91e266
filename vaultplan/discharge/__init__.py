"""Whether water may go to the drain: sensitivity of the waters below, and the discharge rules."""

from vaultplan.discharge.concern import vaults_near_concern
from vaultplan.discharge.decide import decide
from vaultplan.discharge.facts import decide_discharges, gather_facts
from vaultplan.discharge.overrides import apply_overrides
from vaultplan.discharge.rules import Rules, load_rules, run_cases
from vaultplan.discharge.sensitivity import grade_outfalls, grade_waters

__all__ = [
    "Rules",
    "apply_overrides",
    "decide",
    "decide_discharges",
    "gather_facts",
    "grade_outfalls",
    "grade_waters",
    "load_rules",
    "run_cases",
    "vaults_near_concern",
]
