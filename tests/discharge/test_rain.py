import pandas as pd

from vaultplan.discharge.rain import wet_day_chance

UNTIL = pd.Timestamp("2026-11-03T10:00", tz="UTC")


def _outlook(make, *rows):
    """Give rows of (gauge, issued, falls on, member, inches)."""
    names = ("gauge_id", "issued_at", "falls_on", "member", "rain_in")
    return make.frame("rain_outlook", *(dict(zip(names, row, strict=True)) for row in rows))


def _chances(outlook):
    found = wet_day_chance(outlook, known_until=UNTIL, wet_day_in=0.10)
    return {(row.gauge_id, str(row.on.date())): row.prob_wet_day for row in found.itertuples()}


def test_share_of_members_at_or_above_a_wet_days_rain(make):
    issued = "2026-11-02T00:00Z"
    rows = [("g", issued, "2026-11-04", n, rain) for n, rain in enumerate((0.0, 0.09, 0.10, 2.0))]
    assert _chances(_outlook(make, *rows)) == {("g", "2026-11-04"): 0.5}


def test_only_the_latest_outlook_that_is_known_counts_gauge_by_gauge(make):
    outlook = _outlook(
        make,
        ("g", "2026-11-01T00:00Z", "2026-11-04", 1, 1.0),
        ("g", "2026-11-01T00:00Z", "2026-11-05", 1, 1.0),
        ("g", "2026-11-03T09:59Z", "2026-11-04", 1, 0.0),
        ("g", "2026-11-03T10:00Z", "2026-11-04", 1, 1.0),
        ("h", "2026-11-01T00:00Z", "2026-11-04", 1, 1.0),
    )
    assert _chances(outlook) == {("g", "2026-11-04"): 0.0, ("h", "2026-11-04"): 1.0}


def test_no_outlook(make):
    assert _chances(_outlook(make)) == {}
