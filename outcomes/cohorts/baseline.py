"""What the cohorts were like at their index dates, side by side and without p-values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import pandas as pd

from outcomes.errors import UsageError, known_names
from outcomes.results import DASH, Record, Result, number
from outcomes.statistics.balance import balance
from outcomes.tables.declared import KINDS

SMALL: Final = 5  # cells of a category below this show as "<5"
MISSING: Final = "(missing)"
UNITS: Final = {"age_years": "years", "diabetes_years": "years", "baseline_hba1c": "%"}
NOT_SHOWN: Final = "not shown"  # it would tell the one small cell
_HIDDEN: Final = (f"<{SMALL}", NOT_SHOWN)
FLAG: Final = 0.1  # a standardised difference beyond this is worth a reader's attention


def baseline(members: pd.DataFrame, *, covariates: Sequence[str]) -> Result:
    """Return the baseline table of the new patients, by cohort.

    Parameters
    ----------
    members : DataFrame, one row per patient and cohort
        `cohort`, `new` and the covariates at the index date.
    covariates : sequence of str
        Columns to show; numbers as mean and SD, everything else by level.

    Returns
    -------
    Result
        `.table` has a row per number or level: `covariate`, `level`, and per cohort `COHORT`
        (as shown), `COHORT_n`, `COHORT_value` (mean, or share), `COHORT_sd`; then `smd`, the
        difference implanted less adhesive in pooled standard deviations. A category's cell below
        5 is "<5" and takes its numbers with it, and so is the mean of fewer than 5 patients; where
        one cell alone would be hidden, the next smallest goes too, since it could be worked out
        from the total.

    Raises
    ------
    UsageError
        A covariate is not a column.
    """
    new = members.loc[members["new"]]
    for name in covariates:
        if name not in new.columns:
            raise UsageError("plan, cohorts.covariates: " + known_names("covariate", name, new))
    sizes = {cohort: int((new["cohort"] == cohort).sum()) for cohort in KINDS}
    rows = [row for name in covariates for row in _rows(new, name)]
    table = pd.DataFrame(rows, columns=_columns())
    smd = pd.Series(_standardised(new, table, covariates, sizes), dtype="float64")
    # A difference would give a hidden cell away.
    hidden = table[list(KINDS)].isin(_HIDDEN).any(axis=1)
    table["smd"] = smd.where(~hidden)
    apart = table.loc[table["smd"].abs() > FLAG, "covariate"].unique()
    return Result(
        name="baseline",
        title="The cohorts at their index dates",
        table=table,
        entries=_records(table, sizes),
        finding=_finding(sizes, list(apart)),
        caption=(
            "New patients of each cohort at the index date: mean (SD), or number (share of those "
            f"in the cohort); n = {sizes['implanted']} implanted, {sizes['adhesive']} adhesive."
        ),
        footnotes=[
            "Patients chose their sensor; a difference here is a reason for caution, not a test.",
            "Standardised difference: implanted less adhesive, in pooled standard deviations.",
            f"Cells of a category under {SMALL}, and means of fewer than {SMALL} patients, show as "
            f"<{SMALL}, with what would reveal them.",
        ],
        summary=_summary(table),
    )


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table in words."""
    return pd.DataFrame(
        {
            "At the index date": table["covariate"].map(_words),
            "Level": table["level"],
            **{cohort.capitalize(): table[cohort] for cohort in KINDS},
            "Standardised difference": table["smd"].map(lambda smd: number(smd, 2)),
        }
    )


def _words(covariate: str) -> str:
    words = covariate.replace("_", " ").replace("hba1c", "HbA1c")
    return words.removesuffix(" years") + f", {UNITS[covariate]}" if covariate in UNITS else words


def _columns() -> list[str]:
    per_cohort = [f"{c}{part}" for c in KINDS for part in ("", "_n", "_value", "_sd")]
    return ["covariate", "level", *per_cohort, "smd"]


def _rows(new: pd.DataFrame, name: str) -> list[dict[str, object]]:
    values = new[name]
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        return _number_rows(new, name)
    return _category_rows(new, name)


def _number_rows(new: pd.DataFrame, name: str) -> list[dict[str, object]]:
    mean: dict[str, object] = {"covariate": name, "level": "mean (SD)"}
    missing: dict[str, object] = {"covariate": name, "level": MISSING}
    for cohort in KINDS:
        values = new.loc[new["cohort"] == cohort, name].astype("float64")
        known = values.dropna()
        absent = len(values) - len(known)
        if 0 < absent < SMALL:
            missing[cohort] = f"<{SMALL}"
        else:
            missing |= {f"{cohort}_n": absent, cohort: str(absent)}
        if 0 < len(known) < SMALL:
            # The mean of one patient is that patient's age; of few, nearly so.
            mean[cohort] = f"<{SMALL}"
            continue
        sd = float(known.std(ddof=1)) if len(known) else None
        mean[f"{cohort}_n"] = None if 0 < absent < SMALL else len(known)
        mean[f"{cohort}_value"] = float(known.mean()) if len(known) else None
        mean[f"{cohort}_sd"] = sd
        mean[cohort] = f"{number(known.mean())} ({number(sd)})" if len(known) else DASH
    return [mean, missing] if new[name].isna().any() else [mean]


def _category_rows(new: pd.DataFrame, name: str) -> list[dict[str, object]]:
    text = new[name].astype(object)
    levels = text.where(text.notna(), MISSING).map(str)
    names = sorted(set(levels), key=lambda level: (level == MISSING, level))
    rows: list[dict[str, object]] = [{"covariate": name, "level": level} for level in names]
    for cohort in KINDS:
        counts = levels[new["cohort"] == cohort].value_counts()
        hidden = _hidden([int(counts.get(level, 0)) for level in names])
        total = int(counts.sum())
        for row, level in zip(rows, names, strict=True):
            count = int(counts.get(level, 0))
            if count in hidden and count:
                row[cohort] = f"<{SMALL}" if count < SMALL else NOT_SHOWN
                continue
            share = count / total if total else None
            row |= {f"{cohort}_n": count, f"{cohort}_value": share}
            row[cohort] = DASH if share is None else f"{count} ({number(100 * share)} %)"
    return rows


def _hidden(counts: list[int]) -> set[int]:
    """Return the counts that may not be shown: the small, and one more where it stands alone.

    Examples
    --------
    >>> sorted(_hidden([3, 40, 20])), sorted(_hidden([3, 4, 20])), sorted(_hidden([0, 40, 20]))
    ([3, 20], [3, 4], [])
    """
    small = [count for count in counts if 0 < count < SMALL]
    hidden = set(small)
    if len(small) == 1:
        hidden |= {min((count for count in counts if count >= SMALL), default=small[0])}
    return hidden


def _standardised(
    new: pd.DataFrame, table: pd.DataFrame, covariates: Sequence[str], sizes: dict[str, int]
) -> list[float | None]:
    if not all(sizes.values()):
        return [None] * len(table)
    compared = balance(new, group="cohort", reference="adhesive", covariates=list(covariates))
    found = {
        (row.covariate, "mean (SD)" if row.level is None else str(row.level)): row.smd
        for row in compared.itertuples()
    }
    pairs = zip(table["covariate"], table["level"], strict=True)
    values = [found.get(pair) for pair in pairs]
    return [None if value is None or pd.isna(value) else float(value) for value in values]


def _records(table: pd.DataFrame, sizes: dict[str, int]) -> list[Record]:
    entries = []
    for row in table.to_dict("records"):
        numeric = row["level"] == "mean (SD)"
        for cohort in KINDS:
            value = row[f"{cohort}_value"]
            count = row[f"{cohort}_n"]
            hidden = row[cohort] in _HIDDEN
            absent = value is None or pd.isna(value)
            entries.append(
                Record(
                    outcome="baseline", quantity="mean" if numeric else "share",
                    population="cumulative", cohort=cohort,
                    by={"covariate": str(row["covariate"]), "level": str(row["level"])},
                    estimate=None if absent else float(value),
                    level=None, n_patients=sizes[cohort],
                    n_units=None if hidden or count is None or pd.isna(count) else int(count),
                    unit=UNITS.get(str(row["covariate"]), "as recorded") if numeric else "fraction",
                    method="description",
                    note=_note(hidden=hidden, absent=absent),
                )
            )  # fmt: skip
    return entries


def _note(*, hidden: bool, absent: bool) -> str | None:
    if hidden:
        return "small cell, not shown"
    return "a count of patients (n_units), no share" if absent else None


def _finding(sizes: dict[str, int], apart: list[str]) -> str:
    if not all(sizes.values()):
        empty = " and ".join(cohort for cohort, n in sizes.items() if not n)
        return f"Nobody is new to {empty} sensors, so the cohorts cannot be set side by side."
    n = f"(n = {sizes['implanted']} implanted, {sizes['adhesive']} adhesive)"
    if not apart:
        return f"No covariate differs by more than {FLAG} standard deviations {n}."
    names = ", ".join(name.replace("_", " ") for name in apart)
    return f"The cohorts differ by more than {FLAG} standard deviations in: {names} {n}."
