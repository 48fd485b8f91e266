"""The cautions that stand on every map, sheet and summary."""

from __future__ import annotations

from typing import Final

#: Whole sentences, most urgent first; print all of them.
CAUTIONS: Final = (
    "This is not an entry permit, not an authorisation to discharge and not a waste determination.",
    "The grade seen in the field supersedes the plan; if it is dirtier, stop and call.",
    "Test the air, isolate live gear and guard traffic by your safety rules before a lid opens.",
    "Local codes, the current permit and licensed people decide.",
)
