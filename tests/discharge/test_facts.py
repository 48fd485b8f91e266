from datetime import date

import pandas as pd
import pytest

from vaultplan.discharge import decide_discharges
from vaultplan.discharge.facts import gather_facts
from vaultplan.schema import table
from vaultplan.settings import DischargeSettings, Settings

AS_OF = date(2026, 11, 2)
ZONE = "Etc/GMT+10"


@pytest.fixture
def gather(make):
    """Gather the facts of one calm vault, with parts of its tables changed."""

    def run(*, forecast=None, vault=None, visits=None, trace=None, outlook=None, near=False):
        calm_forecast = {"vault_id": "v", "on": "2026-11-04", "prob_light": 0.1, "prob_heavy": 0.1}
        calm_trace = {
            "vault_id": "v",
            "trace_status": "complete",
            "confidence": "high",
            "gutter_ft": 40.0,
            "outfall_id": "o",
        }
        calm_vault = {"vault_id": "v", "gauge_id": "g", "geometry": make.point(0)}
        rain = {"gauge_id": "g", "issued_at": "2026-11-01T00:00Z", "falls_on": "2026-11-04"}
        seen = {"visit_id": "x", "vault_id": "v", "visited_at": "2026-10-01T20:00Z"}
        traces = table("traces").conform(pd.DataFrame([calm_trace | (trace or {})]))
        facts = gather_facts(
            make.frame("forecasts", calm_forecast | (forecast or {})),
            make.frame("vaults", calm_vault | (vault or {})),
            make.frame(
                "visits",
                *([seen | {"grade": "clear", "has_sheen": False}] if visits is None else visits),
            ),
            traces,
            pd.DataFrame({"outfall_id": ["o"], "sensitivity": ["elevated"]}),
            pd.DataFrame({"vault_id": ["v"], "near_concern": pd.array([near], dtype="boolean")}),
            make.frame(
                "rain_outlook",
                *([rain | {"member": n, "rain_in": inches} for n, inches in enumerate(outlook)])
                if outlook
                else (),
            ),
            as_of=AS_OF,
            time_zone=ZONE,
            settings=DischargeSettings(),
        )
        return facts.iloc[0]

    return run


@pytest.mark.parametrize(
    ("light", "heavy", "expected"),
    [
        (0.10, 0.10, "clear"),
        (0.20, 0.14, "clear"),
        (0.20, 0.15, "light"),
        (0.60, 0.34, "light"),
        (0.10, 0.35, "heavy"),
        (None, None, "unknown"),
    ],
)
def test_the_grade_reckoned_with(gather, light, heavy, expected):
    facts = gather(forecast={"prob_light": light, "prob_heavy": heavy})
    assert facts["grade_reckoned"] == expected


def test_a_grade_that_rests_on_no_visit_is_unknown_unless_heavy_is_likely(gather):
    assert gather(visits=[])["grade_reckoned"] == "unknown"
    assert gather(visits=[], forecast={"prob_light": 0.9})["grade_reckoned"] == "unknown"
    assert gather(visits=[], forecast={"prob_heavy": 0.35})["grade_reckoned"] == "heavy"


def test_a_wet_day_at_the_share_that_holds(gather):
    assert gather(outlook=[0.1, 0.0])["is_wet_day"]
    assert not gather(outlook=[0.1, 0.0, 0.0])["is_wet_day"]
    assert pd.isna(gather()["is_wet_day"])
    assert pd.isna(gather(outlook=[1.0], forecast={"on": "2026-11-05"})["is_wet_day"])
    assert pd.isna(gather(outlook=[1.0], vault={"gauge_id": None})["is_wet_day"])


def test_sensitivity_is_that_of_the_outfall_and_unknown_without_one(gather):
    assert gather()["sensitivity"] == "elevated"
    assert gather(trace={"outfall_id": None})["sensitivity"] == "unknown"
    assert gather(trace={"outfall_id": "not graded"})["sensitivity"] == "unknown"


def test_age_of_the_last_grade_counts_local_days(gather):
    """2026-10-01 09:00 UTC is still September 30 in the zone."""
    seen = {"visit_id": "x", "vault_id": "v", "grade": "heavy"}
    facts = gather(visits=[seen | {"visited_at": "2026-10-01T09:00Z"}])
    assert facts["days_since_grade"] == 35
    assert facts["heavy_in_a_row"] == 1


def test_visits_up_to_the_end_of_the_local_day_count(gather):
    seen = {"visit_id": "x", "vault_id": "v", "grade": "heavy"}
    last = gather(visits=[seen | {"visited_at": "2026-11-03T09:59Z"}])
    next_day = gather(visits=[seen | {"visited_at": "2026-11-03T10:00Z"}])
    assert last["last_grade"] == "heavy"
    assert pd.isna(next_day["last_grade"])


def test_a_vault_that_no_other_table_knows_is_blank_not_calm(gather):
    facts = gather(forecast={"vault_id": "stray"})
    assert facts["sensitivity"] == "unknown"
    assert facts["grade_reckoned"] == "unknown"
    for name in ("trace_status", "near_concern", "pcb_status", "last_has_sheen"):
        assert pd.isna(facts[name]), name


def _walk(make, **more):
    frames = {
        "vaults": make.frame(
            "vaults",
            {"vault_id": "v", "gauge_id": "g", "pcb_status": "no_oil", "geometry": make.point(0)},
        ),
        "visits": make.frame(
            "visits",
            {
                "visit_id": "x",
                "vault_id": "v",
                "visited_at": "2026-10-01T20:00Z",
                "grade": "clear",
                "has_sheen": False,
            },
        ),
        "forecasts": make.frame(
            "forecasts",
            *(
                {"vault_id": "v", "on": day, "prob_light": 0.1, "prob_heavy": 0.1}
                for day in ("2026-11-04", "2026-11-05")
            ),
        ),
        "traces": table("traces").conform(
            pd.DataFrame(
                {
                    "vault_id": ["v"],
                    "trace_status": ["complete"],
                    "confidence": ["high"],
                    "outfall_id": ["o"],
                }
            )
        ),
        "receiving_waters": make.frame("receiving_waters", make.water("w")),
        "sensitive_areas": make.frame("sensitive_areas", make.area("beach", 90_000)),
        "outfalls": make.frame("outfalls", make.outfall("o", "w")),
        "concern_sites": make.frame("concern_sites"),
        "rain_outlook": make.frame(
            "rain_outlook",
            *(
                {
                    "gauge_id": "g",
                    "issued_at": "2026-11-01T00:00Z",
                    "falls_on": day,
                    "member": 1,
                    "rain_in": rain,
                }
                for day, rain in (("2026-11-04", 0.5), ("2026-11-05", 0.0))
            ),
        ),
    }
    return decide_discharges(
        {name: frame for name, frame in (frames | more).items() if frame is not None},
        as_of=AS_OF,
        settings=Settings(time_zone=ZONE),
    )


def test_a_calm_vault_is_held_on_the_wet_day_and_goes_on_the_dry_one(make):
    decided = _walk(make)
    assert decided["method"].tolist() == ["storm_drain", "storm_drain"]
    assert decided["gate"].tolist() == ["hold", "go"]
    assert decided["sensitivity"].tolist() == ["ordinary", "ordinary"]


@pytest.mark.parametrize("gauge_id", [None, "silent", "g"])
def test_the_nearest_gauge_with_an_outlook_stands_in(make, gauge_id):
    """The gauge by the vault has no outlook; of the two others, g is nearer and wet."""
    days = {"issued_at": "2026-11-01T00:00Z", "falls_on": "2026-11-04", "member": 1}
    outlook = make.frame(
        "rain_outlook",
        days | {"gauge_id": "g", "rain_in": 0.5},
        days | {"gauge_id": "far", "rain_in": 0.0},
        days | {"gauge_id": "silent", "issued_at": "2026-11-03T10:00Z", "rain_in": 0.0},
    )
    places = {"far": 9_000, "g": 3_000, "silent": 0}
    decided = _walk(
        make,
        vaults=make.frame(
            "vaults", {"vault_id": "v", "gauge_id": gauge_id, "geometry": make.point(0)}
        ),
        gauges=make.frame(
            "gauges", *({"gauge_id": k, "geometry": make.point(x)} for k, x in places.items())
        ),
        rain_outlook=outlook,
    )
    assert decided["gate"].tolist() == ["hold", "go"]


def test_suspect_ground_refers_and_the_specialist_may_lower(make):
    sites = make.frame(
        "concern_sites",
        {"site_id": "s", "status": "open", "radius_ft": 50.0, "geometry": make.point(1)},
    )
    overrides = make.frame(
        "overrides",
        {
            "override_id": "x",
            "vault_id": "v",
            "ladder": "gate",
            "step": "go",
            "who": "R. Marsh",
            "why": "sampled",
            "made_on": "2026-11-01",
            "expires_on": "2026-11-04",
        },
    )
    assert _walk(make, concern_sites=sites)["gate"].tolist() == ["refer", "refer"]
    decided = _walk(make, concern_sites=sites, overrides=overrides)
    assert decided["gate"].tolist() == ["go", "refer"]


@pytest.mark.parametrize(
    "name", ["traces", "receiving_waters", "sensitive_areas", "outfalls", "visits"]
)
def test_a_missing_table_never_leaves_the_storm_drain(make, name):
    decided = _walk(make, **{name: None})
    assert (decided["method"] != "storm_drain").all()


def test_nothing_forecast_is_nothing_decided(make):
    assert len(_walk(make, forecasts=None)) == 0


@pytest.mark.parametrize(
    ("along", "across", "rule"),
    [
        (0.01, 0.02, None),
        (None, 0.02, "gutter_not_measured"),
        (0.01, None, "gutter_not_measured"),
        (0.001, 0.015, "gutter_spread"),
        (0.0, 0.02, "gutter_spread"),
    ],
)
def test_from_the_inlets_table_to_the_decision(make, along, across, rule):
    """150 gal/min on 0.001 / 0.015 spread 8.8 ft; the parking lane is 8 ft wide."""
    traces = table("traces").conform(
        pd.DataFrame(
            [
                {
                    "vault_id": "v",
                    "trace_status": "complete",
                    "confidence": "high",
                    "inlet_id": "i",
                    "gutter_ft": 40.0,
                    "outfall_id": "o",
                }
            ]
        )
    )
    slopes = {"gutter_slope_frac": along, "cross_slope_frac": across}
    inlet = {"inlet_id": "i", "node_id": "n", "geometry": make.point(3)} | slopes
    decided = _walk(make, traces=traces, inlets=make.frame("inlets", inlet)).iloc[0]
    fired = set(decided["rules_fired"].split(";"))
    assert fired & {"gutter_not_measured", "gutter_spread"} == ({rule} if rule else set())
    assert (decided["method"] == "vacuum_truck") == (rule == "gutter_spread")
    assert ("look at it before pumping" in decided["reason"]) == (rule == "gutter_not_measured")
