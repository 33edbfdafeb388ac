"""Look at one outcome by cohort, covariate and horizon; every look is logged, none is a finding."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet, build_cohorts, groups
from outcomes.cohorts.restriction import COHORT, restrictable
from outcomes.errors import UsageError, known_names
from outcomes.figures.style import INK, cohort_order, look
from outcomes.measures.complications import ALL, FIRST_EVENTS, complications
from outcomes.measures.hba1c_change import hba1c_change
from outcomes.measures.range_quantities import SHARE
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.measures.time_in_range import time_in_range
from outcomes.report.looks import log_look
from outcomes.results import Record, Result, Show, interval, number
from outcomes.tables.declared import KINDS
from outcomes.units import counted

BANNER: Final = (
    "Exploration, not a finding: who looks often enough finds something. Every look is logged, "
    "and the next report says how many there were. Nothing here decides a patient's treatment."
)
BOTH: Final = "both"
EVERYBODY: Final = "everybody"
NOTHING: Final = "nothing to show"
SMALLEST_GROUP: Final = 5  # patients; smaller groups of an attribute are not shown
HIDDEN: Final = f"fewer than {SMALLEST_GROUP} patients: not shown"
MOST_GROUPS: Final = 8


@dataclass(frozen=True)
class Headline:
    """The one quantity of an outcome that is looked at."""

    measure: Callable[[CohortSet], Result]
    quantity: str
    label: str
    decimals: int
    unit: str = ""  # only records in this unit; "" for any
    by: tuple[tuple[str, str], ...] = ()
    units: str = ""  # what the records' n_units counts, where that tells more than patients

    def holds(self, record: Record) -> bool:
        """Return whether a record is one of this quantity, for a cohort and the new patients."""
        return (
            record.quantity == self.quantity
            and record.cohort is not None
            and dict(record.by) == dict(self.by)
            and (not self.unit or record.unit == self.unit)
        )


OUTCOMES: Final[dict[str, Headline]] = {
    "hba1c_change": Headline(
        hba1c_change, "mean change, those with both draws", "Change in HbA1c, points", 2,
        "percentage points", units="due",
    ),
    "time_in_range": Headline(time_in_range, SHARE, "Time in 70-180 mg/dL, %", 1),
    "sensor_survival": Headline(
        sensor_survival, "reached planned removal", "Reached planned removal, of 100 placed", 1,
        units="sensors",
    ),
    "complications": Headline(
        complications, FIRST_EVENTS, "First harm of wear, per 100 patient-years", 1,
        "per 100 patient-years",
        by=(("counted", ALL),), units="sensors",
    ),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Exploration(Result):
    """What a look returns: the numbers of the measure it asked, under a banner."""

    def _repr_html_(self) -> str:
        banner = f'<p class="banner"><strong>{html.escape(BANNER)}</strong></p>'
        return banner + super()._repr_html_()

    def __repr__(self) -> str:
        return f"{BANNER}\n{super().__repr__()}"


class Explorer:
    """Looks at one set of cohorts; measures that were asked once are remembered.

    Parameters
    ----------
    cohorts : CohortSet
        As `build_cohorts` returns it.
    """

    def __init__(self, cohorts: CohortSet) -> None:
        self.cohorts = cohorts
        self._parts: dict[tuple[str, str], CohortSet] = {}
        self._asked: dict[tuple[str, str, str], list[Record]] = {}

    def covariates(self) -> list[str]:
        """Return what the patients can be split by: two to eight groups, not the cohort itself."""
        names = [name for name in restrictable(self.cohorts.tables) if name != COHORT]
        names = [name for name in names if name not in self.cohorts.where]
        return [name for name in names if 2 <= len(groups(self.cohorts, name)) <= MOST_GROUPS]

    def horizons(self, outcome: str) -> list[str]:
        """Return the moments at which the outcome is told, in the order of time."""
        records = self._records(outcome, "", "")
        return list(dict.fromkeys(_horizon(record) for record in records)) or [NOTHING]

    def look(
        self,
        outcome: str,
        *,
        cohort: str = BOTH,
        covariate: str | None = None,
        horizon: str | None = None,
    ) -> Exploration:
        """Look at one outcome, and add the look to the log beside the study.

        Parameters
        ----------
        outcome : {"hba1c_change", "time_in_range", "sensor_survival", "complications"}
        cohort : {"both", "implanted", "adhesive"}
        covariate : str, optional
            Splits the patients into groups, see `covariates`.
        horizon : str, optional
            One of `horizons(outcome)`; by default the last that has an estimate.

        Raises
        ------
        UsageError
            A name is unknown; the message lists the known ones.
        """
        shown = _known("outcome", outcome, OUTCOMES)
        _known("cohort", cohort, dict.fromkeys((BOTH, *KINDS)))
        kinds = KINDS if cohort == BOTH else (cohort,)
        if covariate is not None:
            _known("covariate", covariate, dict.fromkeys(self.covariates()))
        at = self.default_horizon(outcome) if horizon is None else horizon
        _known("horizon", at, dict.fromkeys(self.horizons(outcome)))
        logged = log_look(
            self.cohorts, outcome=outcome, cohort=cohort, covariate=covariate or "", horizon=at
        )
        records = [
            record
            for record in self._all(outcome, covariate)
            if record.cohort in kinds and _horizon(record) == at
        ]
        return _exploration(
            shown, records, outcome=outcome, covariate=covariate, at=at, logged=logged,
            span=self._span(outcome),
        )  # fmt: skip

    def default_horizon(self, outcome: str) -> str:
        """Return the last moment of the whole time that has an estimate."""
        told = [r for r in self._records(outcome, "", "") if r.estimate is not None]
        cumulative = [_horizon(record) for record in told if record.population == "cumulative"]
        return (cumulative or self.horizons(outcome))[-1]

    def _all(self, outcome: str, covariate: str | None) -> list[Record]:
        if covariate is None:
            return self._records(outcome, "", "")
        found: list[Record] = []
        for value, n in groups(self.cohorts, covariate).items():
            if n >= SMALLEST_GROUP:
                records = self._records(outcome, covariate, value)
                found += [_of_group(record, covariate, value) for record in records]
        return found

    def _records(self, outcome: str, covariate: str, value: str) -> list[Record]:
        key = (outcome, covariate, value)
        if key not in self._asked:
            headline = OUTCOMES[outcome]
            entries = headline.measure(self._part(covariate, value)).entries
            self._asked[key] = [record for record in entries if headline.holds(record)]
        return self._asked[key]

    def _part(self, covariate: str, value: str) -> CohortSet:
        if not covariate:
            return self.cohorts
        key = (covariate, value)
        if key not in self._parts:
            whole = self.cohorts
            self._parts[key] = build_cohorts(
                whole.study, whole.plan, quarter=whole.quarter,
                where={**whole.where, covariate: value},
            )  # fmt: skip
        return self._parts[key]

    def _span(self, outcome: str) -> tuple[float, float]:
        """Return one scale for every look at an outcome, so that a moved slider moves the dots."""
        values = [
            value
            for record in self._records(outcome, "", "")
            for value in (record.estimate, record.conf_low, record.conf_high)
            # The interval of a handful would make everything else a dot.
            if value is not None and (record.n_patients or 0) >= SMALLEST_GROUP
        ]
        low, high = (min(values), max(values)) if values else (0.0, 1.0)
        spare = max(high - low, 1e-9) * 0.15
        return low - spare, high + spare


def look_at(
    cohorts: CohortSet,
    outcome: str,
    *,
    cohort: str = BOTH,
    covariate: str | None = None,
    horizon: str | None = None,
) -> Exploration:
    """Look at one outcome by cohort, covariate and horizon, and log the look beside the study.

    An exploration is never a finding: it says what to ask of data that are yet to come. A later
    report states how many looks there were, see `looks`.

    Parameters
    ----------
    cohorts : CohortSet
    outcome : {"hba1c_change", "time_in_range", "sensor_survival", "complications"}
    cohort : {"both", "implanted", "adhesive"}
    covariate : str, optional
        Splits the patients into groups: a column of `patients` or a recorded state, such as
        "site". Groups of fewer than 5 patients are not shown.
    horizon : str, optional
        Such as "month 6" or "period 3"; by default the last that has an estimate.

    Returns
    -------
    Exploration
        `.table` has one row per group and cohort: `group`, `cohort`, `estimate`, `conf_low`,
        `conf_high`, `n_patients`, `n_units`, `note`, and `n` in words.

    Raises
    ------
    UsageError
        A name is unknown; the message lists the known ones.
    """
    return Explorer(cohorts).look(outcome, cohort=cohort, covariate=covariate, horizon=horizon)


def _known(what: str, given: str, known: Mapping[str, Any]) -> Any:
    if given not in known:
        raise UsageError(known_names(what, given, known))
    return known[given]


def _of_group(record: Record, covariate: str, value: str) -> Record:
    """Name the group of a record, and hide what would tell of very few patients."""
    named = replace(record, by={covariate: value})
    if (record.n_patients or 0) >= SMALLEST_GROUP:
        return named
    nothing: dict[str, Any] = dict.fromkeys(
        ("estimate", "conf_low", "conf_high", "n_patients", "n_units", "events", "exposure")
    )
    return replace(named, **nothing, note=HIDDEN)


def _horizon(record: Record) -> str:
    """Return when a record is told for, in words that tell quarter and whole time apart."""
    at = record.at or "since the plan's start"
    return f"this quarter: {record.at or 'all of it'}" if record.population == "quarter" else at


_COLUMNS: Final = (
    "group", "cohort", "estimate", "conf_low", "conf_high", "n_patients", "n_units", "note",
)  # fmt: skip


def _exploration(
    shown: Headline,
    records: Sequence[Record],
    *,
    outcome: str,
    covariate: str | None,
    at: str,
    logged: bool,
    span: tuple[float, float],
) -> Exploration:
    rows = [
        {
            "group": dict(r.by).get(covariate, EVERYBODY) if covariate else EVERYBODY,
            "cohort": r.cohort,
            "estimate": r.estimate,
            "conf_low": r.conf_low,
            "conf_high": r.conf_high,
            "n_patients": r.n_patients,
            "n_units": r.n_units,
            "note": r.note,
        }
        for r in records
    ]
    table = pd.DataFrame(rows, columns=list(_COLUMNS)).astype(
        {"estimate": float, "conf_low": float, "conf_high": float,
         "n_patients": "Int64", "n_units": "Int64"}
    )  # fmt: skip
    split = f" by {covariate}" if covariate else ""
    table["n"] = [_size(row, shown.units) for row in table.itertuples()]
    words = _words(table, shown)
    footnotes = [f"Groups of fewer than {SMALLEST_GROUP} patients are not shown."] if split else []
    if not logged:
        footnotes.append("This look could not be written to the log beside the study.")
    drawn = table.dropna(subset=["estimate"])
    return Exploration(
        name=f"look_at_{outcome}",
        title=f"A look at {outcome}{split}, {at}",
        table=table,
        entries=records,
        finding=words,
        caption=f"{shown.label}{split}, {at}; 95 % intervals, whatever the number of looks.",
        footnotes=footnotes,
        show={
            "group": Show("Group"),
            "cohort": Show("Cohort"),
            "estimate": Show(shown.label, shown.decimals),
            "conf_low": Show("95 % from", shown.decimals),
            "conf_high": Show("to", shown.decimals),
            "n": Show("n"),
            "note": Show("Note"),
        },
        drawing=partial(_draw, table=drawn, label=shown.label, span=span) if len(drawn) else None,
        alt=words,
        height=1.2 + 0.55 * max(1, drawn["group"].nunique()),
    )


def _words(table: pd.DataFrame, shown: Headline) -> str:
    told = [
        f"{row.group}, {row.cohort}: {number(row.estimate, shown.decimals)} "
        f"({interval(_none(row.conf_low), _none(row.conf_high), shown.decimals)}; {row.n})"
        for row in table.itertuples()
        if pd.notna(row.estimate)
    ]
    if not told:
        return f"{shown.label}: nothing can be estimated here."
    return f"{shown.label}: {'; '.join(told)}."


def _none(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def _size(row: Any, units: str) -> str:
    """Return the n of a row in words: patients, and what stands behind or around them."""
    if pd.isna(row.n_patients):
        return ""
    patients = counted(row.n_patients, "patient")
    if not units or pd.isna(row.n_units):
        return patients
    return (
        f"{counted(row.n_units, 'sensor')} of {patients}"
        if units == "sensors"
        else (f"{patients} of {row.n_units} due")
    )


def _draw(ax: Axes, *, table: pd.DataFrame, label: str, span: tuple[float, float]) -> None:
    """One line per group, the cohorts under each other, n beside each."""
    names = list(dict.fromkeys(table["group"]))
    cohorts = cohort_order(table["cohort"])
    ax.set_xlim(*span)
    for place, cohort in enumerate(cohorts):
        rows = table.loc[table["cohort"] == cohort]
        y = np.array([names.index(name) for name in rows["group"]], dtype=float)
        y += 0.28 * (place - (len(cohorts) - 1) / 2)
        shown = look(cohort)
        ax.hlines(y, rows["conf_low"], rows["conf_high"], color=shown.colour, linestyle=shown.line)
        ax.plot(rows["estimate"], y, shown.marker, color=shown.colour, markersize=6)
        for height, row in zip(y, rows.itertuples(), strict=True):
            ax.annotate(
                f"{cohort}, {row.n}", (1, height), (4, 0), va="center", color=INK,
                xycoords=("axes fraction", "data"), textcoords="offset points", fontsize="small",
            )  # fmt: skip
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(label)
