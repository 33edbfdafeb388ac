"""The bench judges as its limits say, its benches answer, and its tables and page are in step."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from tests.truth import bench, evidence
from tests.truth.bench import Answer, Bench, Truth, judged, verdict

BENCHES = bench.benches()
SMOKE = 20


def mean_bench(*, shift: float = 0.0, width: float = 1.0, patients: int = 100) -> Bench:
    """The mean of 100 normal values, moved by `shift` and with limits `width` times as far."""

    def replicate(rng: np.random.Generator) -> dict[str, Answer]:
        mean = float(rng.normal(size=100).mean()) + shift
        half = 0.196 * width
        return {"mean": Answer(estimate=mean, low=mean - half, high=mean + half)}

    return Bench(
        outcome="none", estimator="mean", scenario="normal", patients=patients,
        replicate=replicate, truths=lambda: {"mean": Truth(value=0.0)},
    )  # fmt: skip


def said(made: Bench, replicates: int = 2000) -> str:
    (row,) = judged(made, list(bench.answers(made, 0, replicates))).to_dict("records")
    return row["verdict"]


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (mean_bench(), "holds"),
        (mean_bench(width=0.8), "holds too seldom"),
        (mean_bench(width=1.3), "wider than stated"),
        (mean_bench(shift=0.03), "biased"),
        (mean_bench(width=0.8, patients=24), "shown, no bar"),
    ],
)
def test_a_planted_fault_is_found(made: Bench, words: str) -> None:
    assert words in said(made)


def test_a_bias_that_no_interval_would_show_is_let_pass() -> None:
    assert verdict("two-sided", 0.009, 0.001, 0.1, (0.945, 0.955)) == "holds"


def test_replicates_are_the_same_in_other_processes_and_order() -> None:
    made = next(one for one in BENCHES if one.estimator == "all_event_rate")
    apart = list(bench.answers(made, 50, 60, processes=2))
    assert apart == [bench.one(made, number) for number in range(50, 60)]


@pytest.mark.parametrize("estimator", sorted({one.estimator for one in BENCHES}))
def test_every_estimator_answers_its_questions_near_the_truth(estimator: str) -> None:
    """20 replicates of its first bench: chance lets one pass below 14 hits once in 30,000."""
    made = next(one for one in BENCHES if one.estimator == estimator)
    given = list(bench.answers(made, 0, SMOKE if made.replicates is None else 1))
    table = judged(made, given)
    for row in table[table["bar"] != "none"].itertuples():
        tries = row.replicates - row.without_interval
        assert row.coverage * tries >= 0.7 * tries - 1, row.question
        if row.replicates > 1:  # one replicate alone has no spread to judge a bias by
            assert abs(row.bias) < 5 * row.bias_error, row.question


def test_a_refusal_in_words_is_counted_and_is_no_miss() -> None:
    none = Answer(estimate=None, low=None, high=None)
    made = mean_bench()
    given = [none, *bench.answers(made, 0, 50)]
    (row,) = judged(made, [{"mean": one} if isinstance(one, Answer) else one for one in given])[
        ["without_interval", "coverage"]
    ].to_dict("records")
    assert row["without_interval"] == 1
    assert row["coverage"] > 0.8


def test_limits_name_questions_that_exist() -> None:
    entries = [entry for kind in ("at_least", "shown") for entry in bench.limits()[kind]]
    for entry in entries:
        own = [one for one in BENCHES if one.estimator == entry["estimator"]]
        assert own, entry
        # Benches of one estimator may ask different questions of it.
        asked = (entry["question"] in bench.one(one, 0) for one in own)
        assert entry["question"] == "*" or any(asked), entry


@pytest.fixture(scope="module")
def committed() -> pd.DataFrame:
    return bench.kept()


def test_a_committed_table_holds_all_benches_of_its_estimator(committed: pd.DataFrame) -> None:
    """An estimator without a table is named on the page as not yet run."""
    rows = zip(committed["estimator"], committed["scenario"], committed["patients"], strict=True)
    ran = set(committed["estimator"])
    known = {one.key for one in BENCHES if one.estimator in ran}
    assert {" | ".join(map(str, row)) for row in rows} == known


def test_committed_tables_were_judged_by_these_limits(committed: pd.DataFrame) -> None:
    for row in committed.itertuples():
        band = (row.coverage_low, row.coverage_high)
        bar = bench.bar_of(row.estimator, row.question, row.patients)
        assert row.bar == bar
        assert row.verdict == verdict(bar, row.bias, row.bias_error, row.standard_error, band)
        assert math.isfinite(row.bias)


def test_whatever_falls_short_was_run_again_and_has_a_written_reason(
    committed: pd.DataFrame,
) -> None:
    short = committed[committed["verdict"].str.startswith("falls short")]
    for row in short.itertuples():
        assert evidence.reason_of(row) is not None, row.question


def test_the_page_is_made_of_the_committed_tables(committed: pd.DataFrame) -> None:
    assert evidence.PAGE.read_text(encoding="utf-8") == evidence.page(committed)
