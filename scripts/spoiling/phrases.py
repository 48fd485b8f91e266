"""What crews write, put down as one hears it, without a look at the program's word list."""

from __future__ import annotations

DRY = ("DRY", "dry", "Dry", "bone dry")
NOT_MEASURED = ("n/m", "N/M", "NM", "n/a", "not measured", "-", "?")
GRADES = {
    "clear": (
        "Clear, no sheen", "clean", "CLR", "Clear water", "looks clear", "clear - no odor",
        "CLEAR", "No sediment, clean",
    ),
    "light": (
        "Slightly cloudy", "light sediment", "Lt", "a little cloudy", "hazy", "cloudy, no sheen",
        "Light / silty", "LIGHT", "some sediment",
    ),
    "heavy": (
        "Very dirty, oily", "heavy, black", "muddy", "oil on top, dirty", "Dirty", "thick mud",
        "black water", "HVY sediment", "rusty + oily", "Heavy!!",
    ),
}  # fmt: skip
DISPOSALS = {
    "none": ("left in place", "not pumped", "None", "no pumping needed", "N/A"),
    "storm_drain": (
        "Pumped to storm drain", "to gutter", "storm", "pumped to catch basin", "Storm Drain",
        "SD",
    ),
    "filter_sock": (
        "thru filter sock", "Filter bag", "pumped through sock to gutter", "sock", "Filter Sock",
    ),
    "vacuum_truck": (
        "Vac truck", "hauled by vac truck", "vacuum", "hauled off", "VT", "tanker, hauled",
    ),
}  # fmt: skip
NO_GRADE = ("see photo", "2", "same as last time", "ask dispatch", "ok", "B")
FORMULAS = (
    "=cmd|' /C calc'!A0", "- lid seized", "+ 2 more socks", "@ rear of lot", "=SUM(F2:F9)",
    '=HYPERLINK("x","photo")',
)  # fmt: skip
