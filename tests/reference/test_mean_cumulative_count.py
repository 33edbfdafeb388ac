"""Mean cumulative counts against R (survival; mets for death as a terminal event)."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.recurrent_events import mean_cumulative_count

DATA = Path(__file__).parent / "data"


def reference(check: str) -> object:
    with (DATA / "mean_cumulative_count.csv").open(newline="") as lines:
        row = {r["check_id"]: r for r in csv.DictReader(lines)}[check]
    tolerance = float(row["suggested_tolerance"].removeprefix("rel "))
    return pytest.approx(float(row["value"]), rel=tolerance)


def spells(name: str, start: str, stop: str) -> pd.DataFrame:
    frame = pd.read_csv(DATA / f"{name}.csv")
    frame = frame.rename(columns={start: "entry", stop: "exit"})
    return frame[frame["exit"] > frame["entry"]].assign(events=lambda f: (f["status"] == 1) * 1)


def at(frame: pd.DataFrame, time: float, **options: str) -> pd.Series:
    return mean_cumulative_count(frame, subject="id", at=[time], **options).table.iloc[0]


@pytest.mark.parametrize(("trt", "mean", "error"), [(0, "01", "02"), (1, "03", "04")])
def test_infections_by_a_year_agree_with_survfit(trt: int, mean: str, error: str) -> None:
    shown = at(spells("cgd", "tstart", "tstop").query("trt == @trt"), 365)
    assert shown["estimate"] == reference(f"MCFR-{mean}")
    assert shown["std_error"] == reference(f"MCFR-{error}")


def test_a_wider_cluster_agrees_with_survfit() -> None:
    shown = at(spells("cgd", "tstart", "tstop"), 300, cluster="center")
    assert shown["std_error"] == reference("MCFR-06")


def test_recurrences_with_death_as_censoring_agree_with_survfit() -> None:
    bladder = spells("bladder1", "start", "stop")
    placebo = at(bladder.query("treatment == 'placebo'"), 36)
    assert placebo["estimate"] == reference("MCFR-07")
    assert placebo["std_error"] == reference("MCFR-08")
    assert at(bladder.query("treatment == 'thiotepa'"), 36)["estimate"] == reference("MCFR-09")


def test_valve_seats_agree_with_survfit() -> None:
    assert at(spells("vs0", "tstart", "tstop"), 500)["std_error"] == reference("MCFR-11")


def placebo_with_deaths() -> pd.DataFrame:
    bladder = spells("bladder1", "start", "stop").query("treatment == 'placebo'")
    return bladder.assign(died=bladder["status"] > 1)


def step_by_step(frame: pd.DataFrame, until: float, *, one_by_one: bool) -> float:
    """Sum S(u-) dN/Y by plain loops; `one_by_one` lets each event of a day leave the risk set."""
    mean, alive = 0.0, 1.0
    for day in sorted(frame["exit"][frame["exit"] <= until].unique()):
        ends = frame[frame["exit"] == day]
        risk = int(((frame["entry"] < day) & (frame["exit"] >= day)).sum())
        n_events, n_deaths = int(ends["events"].sum()), int(ends["died"].sum())
        before = alive
        for i in range(max(n_events, n_deaths)):
            gone = i if one_by_one else 0
            if i < n_events:
                mean += (alive if one_by_one else before) / (risk - gone)
            if i < n_deaths:
                alive *= 1 - 1 / (risk - i)
    return mean


def test_death_as_terminal_event_differs_from_mets_only_by_its_tied_days() -> None:
    # The value of mets 1.3-2, 1.936907, comes from letting the events of one day leave the risk
    # set one after another although the patients stay at risk; it asks for data without ties.
    # With one risk set a day the same formula gives 1.887864, and that is ours.
    frame = placebo_with_deaths()
    assert step_by_step(frame, 36, one_by_one=True) == reference("MCFR-12")
    assert at(frame, 36)["estimate"] == pytest.approx(
        step_by_step(frame, 36, one_by_one=False), rel=1e-12
    )


def test_with_everybody_followed_to_death_or_the_end_it_is_the_plain_mean() -> None:
    # Settles which of the two is right: no censoring, tied days, deaths; the answer is a mean.
    rng = np.random.default_rng(20)
    rows = []
    for i in range(40):
        end, dead = min(int(rng.integers(1, 14)), 10), rng.random() < 0.5
        end = end if dead else 10
        days = sorted(set(rng.integers(1, end + 1, size=3).tolist()) | {end})
        for a, b in zip([0, *days[:-1]], days, strict=True):
            rows.append((i, a, b, int(rng.random() < 0.6), dead and b == end))
    frame = pd.DataFrame(rows, columns=["id", "entry", "exit", "events", "died"])
    plain = frame.groupby("id")["events"].sum()
    shown = at(frame, 10)
    assert shown["estimate"] == pytest.approx(plain.mean(), rel=1e-12)
    assert shown["std_error"] == pytest.approx(plain.std(ddof=0) / np.sqrt(40), rel=1e-12)
