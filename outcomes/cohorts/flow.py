"""The flow of patients: everybody counted once, every exclusion named, and the numbers add up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Final

import pandas as pd

from outcomes.cohorts.draws import BASELINE_MONTH
from outcomes.cohorts.eligibility import (
    COVERAGE_SHORTER,
    COVERAGE_UNKNOWN,
    NEW_STRATA,
    PREVALENT,
)
from outcomes.cohorts.follow_up import CUT_OFF, DIED, LOST
from outcomes.cohorts.restriction import COHORT, words
from outcomes.figures.style import cohort_order
from outcomes.results import Record, Result, Show
from outcomes.tables.declared import KINDS
from outcomes.units import counted

NOT_RECORDED: Final = "not recorded"
TOTAL, LEFT_OUT, KEPT, OF_KEPT = "total", "left out", "kept", "of the kept"


def flow(
    patients: pd.DataFrame,
    members: pd.DataFrame,
    prevalent: pd.DataFrame,
    draws: pd.DataFrame,
    sensors: pd.DataFrame,
    *,
    start: date,
    cut_off: date,
    settings: Mapping[str, str],
    kinds: Sequence[str] = KINDS,
    where: Mapping[str, str] | None = None,
    everybody: int | None = None,
) -> Result:
    """Return the flow of patients into each cohort.

    Parameters
    ----------
    patients : DataFrame, one row per patient of the study
    members : DataFrame, one row per patient and cohort
        `cohort`, `stratum`, `new`, `follow_up_end`.
    prevalent : DataFrame, one row per patient and kind left out as prevalent
        `cohort`.
    draws : DataFrame, one row per patient, cohort and visit
        As `visit_draws` returns it.
    sensors : DataFrame, one row per sensor
        Up to the cut-off; sensors without a recorded kind are counted as such.
    start, cut_off : date
    settings : mapping
        The plan's settings to print with it.
    kinds : sequence of str
        The cohorts to show.
    where : mapping, optional
        The restriction that `patients` and the other frames have met already.
    everybody : int, optional
        Patients of the study before the restriction; by default, those given.

    Returns
    -------
    Result
        `.table` has `cohort`, `role` ("total", "left out", "kept", "of the kept"), `step`, `n`;
        in each cohort total = kept + the left out.
    """
    everybody = len(patients) if everybody is None else everybody
    among = words({name: value for name, value in (where or {}).items() if name != COHORT})
    lines = [
        line
        for cohort in kinds
        for line in _cohort_lines(cohort, patients, members, prevalent, draws, everybody, among)
    ]
    table = pd.DataFrame(lines, columns=["cohort", "role", "step", "n"])
    kept = table.loc[table["role"] == KEPT].set_index("cohort")["n"]
    counts = " and ".join(f"{kept[cohort]} new to {cohort} sensors" for cohort in kinds)
    placed = placed_by_kind(sensors)
    by_kind = ", ".join(f"{name} {n}" for name, n in placed.items() if n or name in kinds)
    of_them = f" with {among}" if among else ""
    return Result(
        name="flow",
        title="Flow of patients",
        table=table,
        entries=[
            Record(
                outcome="flow", quantity=f"{line[1]}: {line[2]}", population="cumulative",
                cohort=line[0], estimate=float(line[3]), level=None, n_patients=line[3],
                unit="patients", method="count",
            )
            for line in lines
        ],
        finding=(
            f"Of {counted(len(patients), 'patient')}{of_them}, {counts} since {start} "
            f"(cut-off {cut_off})."
        ),
        caption=f"Patients of each cohort from {start} to {cut_off}, with everybody left out.",
        footnotes=[
            "A patient can be in both cohorts, each with its own index date.",
            "Coverage shorter or unknown is a stratum of its own, shown apart and never new.",
            f"Sensors placed up to the cut-off, by kind: {by_kind or 'none'}.",
        ],
        settings=settings,
        show={
            "cohort": Show("Cohort"),
            "role": Show("Counted as"),
            "step": Show("Step"),
            "n": Show("Patients", 0),
        },
    )  # fmt: skip


def placed_by_kind(sensors: pd.DataFrame) -> dict[str, int]:
    """Return the number of sensors by kind: declared kinds always, the unrecorded by name.

    Examples
    --------
    >>> placed_by_kind(pd.DataFrame({"kind": ["implanted", None, "adhesive"]}))
    {'implanted': 1, 'adhesive': 1, 'not recorded': 1}
    """
    kinds = sensors["kind"].astype(object).where(sensors["kind"].notna(), NOT_RECORDED)
    counts = kinds.value_counts()
    return {name: int(counts.get(name, 0)) for name in cohort_order([*KINDS, *counts.index])}


def _cohort_lines(
    cohort: str,
    patients: pd.DataFrame,
    members: pd.DataFrame,
    prevalent: pd.DataFrame,
    draws: pd.DataFrame,
    everybody: int,
    among: str,
) -> list[tuple[str, str, str, int]]:
    mine = members.loc[members["cohort"] == cohort]
    new = mine.loc[mine["new"]]
    strata = mine["stratum"].value_counts()
    worn_on = int((prevalent["cohort"] == cohort).sum())
    never = len(patients) - len(mine) - worn_on
    lines = [
        (TOTAL, "patients in the study", everybody),
        *([(LEFT_OUT, f"not {among}", everybody - len(patients))] if among else []),
        (LEFT_OUT, f"no {cohort} sensor placed since the plan's start", never),
        (LEFT_OUT, f"{PREVALENT}: wore one shortly before", worn_on),
        (LEFT_OUT, COVERAGE_SHORTER, int(strata.get(COVERAGE_SHORTER, 0))),
        (LEFT_OUT, COVERAGE_UNKNOWN, int(strata.get(COVERAGE_UNKNOWN, 0))),
        (KEPT, f"new to {cohort} sensors", len(new)),
        *((OF_KEPT, f"stratum: {name}", int(strata.get(name, 0))) for name in NEW_STRATA),
        *(
            (OF_KEPT, f"follow-up ended: {end}", int((new["follow_up_end"] == end).sum()))
            for end in (CUT_OFF, LOST, DIED)
        ),
        *_draw_lines(new, draws.loc[draws["cohort"] == cohort]),
    ]
    return [(cohort, *line) for line in lines]


def _draw_lines(new: pd.DataFrame, draws: pd.DataFrame) -> list[tuple[str, str, int]]:
    mine = draws.loc[draws["patient_id"].isin(new["patient_id"])]
    lines = []
    for month, visit in mine.groupby("month"):
        seen = visit["drawn_on"].notna()
        if month == BASELINE_MONTH:
            lines.append((OF_KEPT, "with a baseline HbA1c", int(seen.sum())))
            continue
        lines.append((OF_KEPT, f"due at month {month}", int(visit["due"].sum())))
        lines.append((OF_KEPT, f"HbA1c seen at month {month}", int((seen & visit["due"]).sum())))
    return lines
