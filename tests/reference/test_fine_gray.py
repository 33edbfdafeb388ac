"""Subdistribution hazards against R's finegray and cmprsk's crr; the calls are in the rows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.competing_risks import cumulative_incidence
from outcomes.statistics.cox import cox
from outcomes.statistics.cox_model import CoxModel
from outcomes.statistics.fine_gray import censoring_survival, fine_gray
from outcomes.statistics.lives import checked_lives
from tests.reference.survival_rows import data, expect, ids_of, lives_of

WORDS: dict[object, str] = {0: "censored", 1: "1", 2: "2"}
MGUS = lives_of(data("mgus2"), "etime", "event", words=WORDS).assign(
    male=(data("mgus2")["sex"] == "M") * 1
)
MGUS = MGUS[MGUS["mspike"].notna()]
MELANOMA = lives_of(data("mel"), "time", "cause", words=WORDS).assign(
    log_thickness=np.log(data("mel")["thickness"])
)
AS_CRR = {"ties": "breslow", "censoring_ties": "together", "censoring_term": True}


def mgus(**options: object) -> pd.Series:
    model = fine_gray(MGUS, covariates=["age", "male", "mspike"], state="1", **options)
    return model.table.set_index("covariate").loc["mspike"]


def melanoma(**options: object) -> pd.Series:
    model = fine_gray(MELANOMA, covariates=["sex", "ulcer", "log_thickness"], state="1", **options)
    return model.table.set_index("covariate").loc["ulcer"]


def copied_rows(lives: pd.DataFrame) -> pd.DataFrame:
    """The slow way, with the rows that R makes.

    A subject with a competing event stays until the next censoring time, and is then copied for
    each stretch between censoring times that holds an event, with the weight of that stretch.
    """
    times, curve = censoring_survival(checked_lives(lives), events_first=True)
    whole = np.concatenate([[1.0], curve])
    events = np.unique(lives.loc[lives["state"] == "1", "exit"])
    edges = np.append(times, np.inf)
    plain = lives.assign(weight=1.0, subject=np.arange(len(lives)))
    rows = []
    for subject in plain[plain["state"] == "2"].itertuples():
        cuts = edges[edges >= subject.exit]
        start, stop = cuts[:-1], np.minimum(cuts[1:], 1e9)
        holds = np.searchsorted(events, stop, "right") > np.searchsorted(events, start, "right")
        own = whole[np.searchsorted(times, subject.exit, "left")]
        later = whole[np.searchsorted(times, stop[holds], "left")] / own
        rows.append(
            plain.loc[[subject.Index] * (1 + int(holds.sum()))].assign(
                entry=[-1, *start[holds]],
                exit=[min(cuts[0], 1e9), *stop[holds]],
                weight=[1.0, *later],
                state="censored",
            )
        )
    return pd.concat([plain[plain["state"] != "2"], *rows], ignore_index=True)


CHECKS: dict[str, Callable[[], float]] = {
    "FGRY-01": lambda: mgus()["coefficient"],
    "FGRY-02": lambda: mgus()["std_error"],
    "FGRY-03": lambda: mgus(ties="breslow")["coefficient"],
    "FGRY-04": lambda: mgus(ties="breslow")["std_error"],
    "FGRY-06": lambda: copied_rows(MGUS)["weight"].sum(),
    "FGRY-07": lambda: mgus(**AS_CRR)["coefficient"],
    "FGRY-08": lambda: mgus(**AS_CRR)["std_error"],
    "FGRY-10": lambda: melanoma(**AS_CRR)["std_error"],
    "FGRY-11": lambda: melanoma()["coefficient"],
}


@pytest.mark.parametrize("check_id", CHECKS)
def test_fine_gray_agrees_with_the_reference(check_id: str) -> None:
    expect(check_id, CHECKS[check_id]())


def test_every_reference_row_of_the_topic_is_checked() -> None:
    assert set(ids_of("fine_gray")) == set(CHECKS)


def test_no_copied_rows_give_what_copied_rows_give() -> None:
    covariates = ["sex", "ulcer", "log_thickness"]
    slow = cox(copied_rows(MELANOMA), covariates=covariates, weight="weight", cluster="subject")
    fast = fine_gray(MELANOMA, covariates=covariates, state="1")
    np.testing.assert_allclose(fast.coefficients, slow.coefficients, rtol=1e-8)
    np.testing.assert_allclose(fast.covariance, slow.covariance, rtol=1e-7)


def test_without_competing_events_it_is_the_cox_model() -> None:
    lives = MELANOMA.replace({"state": {"2": "censored"}})
    models: list[CoxModel] = [
        fine_gray(lives, covariates=["ulcer"], state="1"),
        cox(lives, covariates=["ulcer"], robust=True),
    ]
    np.testing.assert_allclose(models[0].covariance, models[1].covariance, rtol=1e-12)


def test_the_predicted_incidence_is_near_the_curve_of_all() -> None:
    model = fine_gray(MELANOMA, covariates=["ulcer"], state="1")
    share = MELANOMA["ulcer"].mean()
    each = model.survival(pd.DataFrame({"ulcer": [0, 1]}), times=[1825])["estimate"]
    predicted = 1 - ((1 - share) * each[0] + share * each[1])
    curve = cumulative_incidence(MELANOMA, times=[1825])
    assert predicted == pytest.approx(curve.at("1", 1825)["estimate"], abs=0.01)


def test_late_entry_is_refused() -> None:
    late = MELANOMA[MELANOMA["exit"] > 400].assign(entry=lambda d: np.where(d.index < 60, 400, -1))
    late = pd.concat([MELANOMA[MELANOMA["exit"] <= 400], late])
    with pytest.raises(EstimationError, match="no meaning with late entry"):
        fine_gray(late, covariates=["ulcer"], state="1")
