"""Who is compared: the entries of a trial with their outcome, and the columns of their models."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import pandas as pd

from outcomes.cohorts.draws import BASELINE_MONTH
from outcomes.comparison.trial import (
    PersonTrials,
    entry_of,
)
from outcomes.errors import SettingsError, known_names
from outcomes.plan import Comparison
from outcomes.statistics.design import complete_rows, covariate_columns, is_numeric
from outcomes.statistics.natural_spline import natural_spline
from outcomes.statistics.propensity import PEOPLE_PER_COLUMN
from outcomes.tables.declared import KINDS
from outcomes.units import counted

MISSING_LEVEL: Final = "(missing)"
LEFT_OWN_LEVEL: Final = "own level"
LATEST: Final = "latest_hba1c"
SEEN_SINCE: Final = "seen_since"
FEWEST_OF_LEVEL: Final = 3


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Compared:
    """The entries of one trial whose visit is due, complete in what the models need.

    Attributes
    ----------
    trial : str
    month : int
    rows : DataFrame, one row per entry
        The entry's columns with `percent`, `change` (percentage points; missing where not seen),
        `change_on_kind` (missing too where the arm's kind was given up before the draw),
        `latest_hba1c` (latest draw before the visit) and `seen_since` (1 where that is later than
        the baseline).
    covariates : list of str
        Columns of the score and of the outcome model.
    left_out : dict
        Reason to number of entries; with `rows` they add to the entries of the trial.
    notes : list of str
    """

    trial: str
    month: int
    rows: pd.DataFrame
    covariates: list[str]
    left_out: dict[str, int]
    notes: list[str] = field(default_factory=list)

    def patients(self, arm: str, outcome: str | None = None) -> int:
        """Return how many patients an arm has, with an outcome where one is named."""
        mine = self.rows["arm"] == arm
        if outcome is not None:
            mine &= self.rows[outcome].notna()
        return int(self.rows.loc[mine, "patient_id"].nunique())

    def entries(self, arm: str, outcome: str | None = None) -> int:
        """Return how many entries an arm has, with an outcome where one is named."""
        mine = self.rows["arm"] == arm
        if outcome is not None:
            mine &= self.rows[outcome].notna()
        return int(mine.sum())

    def smaller(self, outcome: str | None = None) -> int:
        """Return the number of patients in the smaller arm."""
        return min(self.patients(arm, outcome) for arm in KINDS)


def compared(trials: PersonTrials, *, trial: str, month: int, rules: Comparison) -> Compared:
    """Return the entries of a trial that can be compared at a visit, and why the others cannot.

    Parameters
    ----------
    trials : PersonTrials
    trial : str
    month : int
        A visit of the plan.
    rules : Comparison

    Raises
    ------
    SettingsError
        The plan names a covariate that these patients do not have.
    """
    rows = trials.of(trial)
    for name in rules.covariates:
        if name not in rows.columns:
            known = [c for c in rows.columns if c not in ("person_trial", "patient_id", "arm")]
            raise SettingsError(
                "plan, comparison.covariates: " + known_names("covariate", name, known)
            )
    rows = with_visit(rows, trials.draws, month)
    left_out = {"visit not due by the cut-off, or died before it": int((~rows["due"]).sum())}
    rows = rows.loc[rows["due"]]
    rows, covariates = _filled(rows, rules)
    found = complete_rows(rows, ["baseline_hba1c", *covariates])
    left_out |= {f"without {name.replace('_', ' ')}": n for name, n in found.left_out.items()}
    rows, covariates, notes = model_columns(
        found.frame.reset_index(drop=True), covariates, rules, outcome="change"
    )
    return Compared(
        trial=trial, month=month, rows=rows, covariates=covariates,
        left_out={reason: n for reason, n in left_out.items() if n}, notes=notes,
    )  # fmt: skip


def with_visit(rows: pd.DataFrame, draws: pd.DataFrame, month: int) -> pd.DataFrame:
    """Return the entries with `due` and, where drawn, the HbA1c of one visit and its change."""
    key = entry_of(rows)
    visit = draws.loc[draws["month"] == month].set_index("entry")
    earlier = draws.loc[draws["month"].lt(month) & draws["month"].ne(BASELINE_MONTH)]
    latest = earlier.dropna(subset=["percent"]).sort_values("month").groupby("entry")["percent"]
    since = key.map(latest.last())
    drawn_on = pd.to_datetime(key.map(visit["drawn_on"]))
    percent = key.map(visit["percent"]).astype("float64")
    change = percent - rows["baseline_hba1c"]
    on_kind = drawn_on <= rows["on_kind_until"]
    return rows.assign(
        due=key.map(visit["due"]).fillna(False).astype(bool),
        percent=percent,
        drawn_on=drawn_on,
        change=change,
        change_on_kind=change.where(on_kind),
        latest_hba1c=since.fillna(rows["baseline_hba1c"]).astype("float64"),
        seen_since=since.notna().astype(float),
    )


def _filled(rows: pd.DataFrame, rules: Comparison) -> tuple[pd.DataFrame, list[str]]:
    """Return rows with gaps as a level of their own, where the plan says so."""
    covariates, rows = list(rules.covariates), rows.copy()
    if rules.missing_covariates != LEFT_OWN_LEVEL:
        return rows, covariates
    for name in rules.covariates:
        gaps = rows[name].isna()
        if not gaps.any() or name == "baseline_hba1c":
            continue
        if is_numeric(rows[name]):
            rows[name] = rows[name].astype("float64").fillna(rows[name].mean())
            rows[f"{name}_missing"] = gaps.astype(float)
            covariates.append(f"{name}_missing")
        else:
            rows[name] = rows[name].astype(object).where(~gaps, MISSING_LEVEL)
    return rows, covariates


def model_columns(
    rows: pd.DataFrame, covariates: list[str], rules: Comparison, *, outcome: str
) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Return rows and columns that the models can carry, and in words what was done for it.

    A level of a category with fewer than three patients with an outcome in either arm is read as
    the commonest level. The spline enters while the smaller arm has five patients for every
    column; otherwise its covariate is a straight line.

    Parameters
    ----------
    rows : DataFrame, one row per entry
        `patient_id`, `arm`, the outcome and the covariates, complete.
    covariates : list of str
    rules : Comparison
    outcome : str
    """
    notes: list[str] = []
    for name in covariates:
        if not is_numeric(rows[name]):
            rows = _merged(rows, name, outcome, notes)
    return _with_curve(rows, covariates, rules, notes)


def _merged(rows: pd.DataFrame, name: str, outcome: str, notes: list[str]) -> pd.DataFrame:
    seen = rows.dropna(subset=[outcome])
    counts = seen.pivot_table(
        index=name, columns="arm", values="patient_id", aggfunc="nunique", fill_value=0
    )
    counts = counts.reindex(index=sorted(rows[name].unique()), columns=list(KINDS), fill_value=0)
    sparse = list(counts.index[counts.min(axis=1) < FEWEST_OF_LEVEL])
    if not sparse or len(counts) < 2:
        return rows
    common = (
        str(counts.drop(index=sparse).sum(axis=1).idxmax())
        if len(sparse) < len(counts)
        else (str(counts.sum(axis=1).idxmax()))
    )
    sparse = [level for level in sparse if level != common]
    here = rows[name].isin(sparse)
    notes.append(
        f"{name.replace('_', ' ')}: {', '.join(map(str, sparse))} "
        f"({counted(int(here.sum()), 'entry', 'entries')}) is "
        f"read as {common}, since an arm has fewer than {FEWEST_OF_LEVEL} such patients."
    )
    return rows.assign(**{name: rows[name].where(~here, common)})


def _with_curve(
    rows: pd.DataFrame, covariates: list[str], rules: Comparison, notes: list[str]
) -> tuple[pd.DataFrame, list[str], list[str]]:
    name, knots = rules.spline_covariate, rules.spline_knots
    if name not in covariates or rows.empty:
        return rows, covariates, notes
    sizes = [rows.loc[rows["arm"] == arm, "patient_id"].nunique() for arm in KINDS]
    columns = covariate_columns(rows, covariates)[0].shape[1] + len(knots) - 2
    if columns * PEOPLE_PER_COLUMN > min(sizes):
        notes.append(
            f"{name.replace('_', ' ')} enters as a straight line: {columns} columns would be more "
            f"than one per {PEOPLE_PER_COLUMN} of the {min(sizes)} patients in the smaller arm."
        )
        return rows, covariates, notes
    # The plan's own knots, so that a new quarter of data does not move the curve.
    basis = natural_spline(
        rows[name].to_numpy(dtype=float), knots=knots[1:-1], boundary=(knots[0], knots[-1])
    )
    bent = {f"{name}_curve_{j}": basis[:, j] for j in range(1, basis.shape[1])}
    return rows.assign(**bent), [*covariates, *bent], notes


def restricted(found: Compared, keep: pd.Series, rules: Comparison) -> Compared:
    """Return some of the entries, with the columns that so many patients can carry."""
    plain = [name for name in found.covariates if "_curve_" not in name]
    rows = found.rows.loc[keep.to_numpy(dtype=bool)].reset_index(drop=True)
    rows, covariates, notes = model_columns(rows, plain, rules, outcome="change")
    return replace(found, rows=rows, covariates=covariates, notes=notes)


def observation_columns(
    rows: pd.DataFrame, covariates: list[str], *, outcome: str
) -> tuple[list[str] | None, str | None]:
    """Return the columns of the model of being seen: as many as the unseen patients can carry.

    The latest value before the visit goes first; the covariates follow while five patients stand
    behind every column. With fewer than five unseen patients nothing is modelled.
    """
    unseen = rows[outcome].isna()
    if not unseen.any():
        return None, None
    fewest = min(rows.loc[part, "patient_id"].nunique() for part in (unseen, ~unseen))
    columns = covariate_columns(rows, [*covariates, LATEST, SEEN_SINCE])[0].shape[1] + 1
    if columns * PEOPLE_PER_COLUMN <= fewest:
        return [*covariates, LATEST, SEEN_SINCE], None
    told = f"{fewest} patients" if fewest else "no patients"
    for chosen in ([LATEST, SEEN_SINCE], [LATEST]):
        if (len(chosen) + 1) * PEOPLE_PER_COLUMN <= fewest:
            note = (
                f"{told} were not seen, so being seen is modelled on {' and '.join(chosen)} alone."
            )
            return chosen, note.replace("_", " ")
    return None, f"{told} were not seen, too few to model; they are left out of the difference."
