"""Cohorts restricted to a site, a covariate or one kind: nobody changes, everybody is counted."""

import pandas as pd
import pytest

import outcomes as oc
from outcomes.cohorts.build import groups
from outcomes.cohorts.restriction import patient_values
from outcomes.errors import UsageError

MEASURES = (oc.time_in_range, oc.sensor_survival, oc.complications)


@pytest.fixture(scope="module")
def study(demo):
    return oc.open_study(demo / "study")


@pytest.fixture(scope="module")
def build(demo, study):
    plan = oc.read_plan(demo / "clinic" / "plan.toml")
    return lambda where=None: oc.build_cohorts(study, plan, quarter="2026-Q3", where=where)


@pytest.fixture(scope="module")
def whole(build):
    return build()


def by_site(build, whole):
    return {value: build({"site": value}) for value in groups(whole, "site")}


def test_sites_share_out_the_patients_and_change_none(build, whole):
    columns = ["patient_id", "cohort", "stratum", "new", "index_date", "follow_up_to", "site"]
    parts = [cohorts.patients[columns] for cohorts in by_site(build, whole).values()]
    together = pd.concat(parts).sort_values(["patient_id", "cohort"], ignore_index=True)
    expected = whole.patients[columns].sort_values(["patient_id", "cohort"], ignore_index=True)
    pd.testing.assert_frame_equal(together, expected)


def test_groups_count_every_patient_once(whole):
    sites = groups(whole, "site")
    assert sum(sites.values()) == len(whole.tables["patients"])
    assert {"not recorded", "Ostervahl"} <= set(sites)
    assert set(groups(whole, "cohort")) == {"implanted", "adhesive"}


def losses(cohorts):
    return {
        record["cohort"]: (record["events"], record["exposure"], record["n_units"])
        for record in oc.sensor_survival(cohorts).records()
        if record["quantity"] == "losses per patient-year of wear"
        and record["population"] == "cumulative"
        and not record["by"]
    }


def test_losses_and_wear_of_the_sites_add_up_to_the_clinic(build, whole):
    parts = [losses(cohorts) for cohorts in by_site(build, whole).values()]
    for kind, expected in losses(whole).items():
        mine = [part[kind] for part in parts if kind in part]
        assert len(mine) > 1
        assert tuple(map(sum, zip(*mine, strict=True))) == pytest.approx(expected)


@pytest.mark.parametrize(
    "where", [{"site": "Ostervahl"}, {"sex": "female"}, {"cohort": "adhesive"}]
)
def test_the_flow_names_the_restriction_and_adds_up(build, where):
    table = build(where).flow.table
    for _, lines in table.groupby("cohort"):
        sums = lines.groupby("role")["n"].sum()
        assert sums["total"] == sums["kept"] + sums["left out"]
        assert sums["total"] == 60
    told = table["step"].str.contains("|".join(where.values())).any()
    assert told


@pytest.mark.parametrize("kind", ["implanted", "adhesive"])
def test_one_cohort_alone_has_the_numbers_it_has_beside_the_other(build, whole, kind):
    alone = build({"cohort": kind})
    for measure in MEASURES:
        mine = [r for r in measure(whole).records() if r["cohort"] == kind]
        assert mine
        known = measure(alone).records()
        assert [record for record in mine if record not in known] == []


def test_a_state_counts_as_it_was_on_the_first_index_date():
    states = pd.DataFrame(
        {
            "patient_id": ["P1", "P1"], "what": ["site", "site"], "value": ["north", "south"],
            "from_on": pd.to_datetime(["2024-01-01", "2024-06-01"]),
            "to_on": pd.to_datetime(["2024-05-31", None]),
        }
    )  # fmt: skip
    tables = {"patients": pd.DataFrame({"patient_id": ["P1", "P2"]}), "states": states}
    found = pd.DataFrame({"patient_id": ["P1"], "index_date": pd.to_datetime(["2024-03-01"])})
    values = patient_values(tables, found, "site", cut_off=pd.Timestamp("2025-01-01").date())
    assert values.to_dict() == {"P1": "north", "P2": "not recorded"}


@pytest.mark.parametrize(
    ("where", "told"),
    [
        ({"sight": "north"}, "Did you mean 'site'"),
        ({"site": "Ostervall"}, "Did you mean 'Ostervahl'"),
        ({"cohort": "implnted"}, "Did you mean 'implanted'"),
    ],
)
def test_an_unknown_name_or_value_answers_with_the_known_ones(build, where, told):
    with pytest.raises(UsageError, match=told):
        build(where)
