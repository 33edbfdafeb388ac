"""Harm modelled with covariates: Poisson with robust errors, and Andersen-Gill, by patient."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harm_follow_up import contact_words, contacts_since_start
from outcomes.measures.harm_over_time import patient_spells
from outcomes.measures.harm_tables import HarmTables, harm_tables
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.cox import cox
from outcomes.statistics.rate_models import rate_model
from outcomes.tables.declared import KINDS
from outcomes.units import DAYS_PER_YEAR, counted

POISSON: Final = "Poisson, cluster-robust by patient"
ANDERSEN_GILL: Final = "Andersen-Gill, robust by patient"
# A ratio per year of age is nearly 1: ten years make it readable.
STEPS: Final = {
    "age_years": (10.0, "per 10 years of age"),
    "diabetes_years": (10.0, "per 10 years of diabetes"),
}
_COLUMNS = [
    *("model", "cohort", "term", "estimate", "conf_low", "conf_high", "p_value", "events"),
    *("n_patients", "exposure", "note"),
]


def harm_models(cohorts: CohortSet) -> Result:
    """Which patients have more harm of their sensors, by two models with covariates?

    Harms of new patients' sensors of the kind since the index date, by the plan's covariates. The
    Poisson model takes the whole follow-up of a patient, the Andersen-Gill model every harm at its
    day; both have errors robust by patient, since a patient's harms go together. The kind of
    sensor is a term only where the plan declares that both were asked about harm alike; otherwise
    each kind has its own model.

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table`: `model`, `cohort`, `term`, `estimate` (ratio of rates or hazards), `conf_low`,
        `conf_high`, `p_value`, `events`, `n_patients`, `exposure` (years), `note`. Too few
        patients with harm for the terms: no model, with the counts.
    """
    given = harm_tables(cohorts)
    if cohorts.plan.complications.equal_solicitation:
        parts = {"both kinds": list(KINDS)}
    else:
        parts = {kind: [kind] for kind in KINDS}
    rows = [
        row for name, kinds in parts.items() for row in _model_rows(cohorts, given, name, kinds)
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS).astype({"events": "Int64", "n_patients": "Int64"})
    return Result(
        name="harm_models",
        title="Which patients have more harm of their sensors?",
        table=table,
        entries=[_record(row) for row in table.to_dict("records")],
        finding=_finding(table),
        caption=(
            "Ratios of harm by characteristics at the index date, with 95 % intervals; errors "
            "robust by patient. An association, no cause."
        ),
        footnotes=[
            f"A model needs {cohorts.plan.complications.events_per_term} patients with harm for "
            "each of its terms. Patients without one of the covariates are left out and counted.",
            "Both models take harms as they were told; who is seen more often tells more. "
            + contact_words(contacts_since_start(cohorts)),
        ],
        summary=_summary(table),
        show={
            "model": Show("Model"), "cohort": Show("Kind"), "term": Show("Characteristic"),
            "estimate": Show("Ratio", 2), "conf_low": Show("95 % low", 2),
            "conf_high": Show("95 % high", 2), "p_value": Show("p", 3),
            "events": Show("Harms", 0), "n_patients": Show("Patients (n)", 0),
            "exposure": Show("Years", 1), "note": Show("Note"),
        },
    )  # fmt: skip


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line a characteristic, the two models side by side."""
    lines: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in table.to_dict("records"):
        harms = "harms not known" if row["events"] is None else counted(row["events"], "harm")
        counts = f"{harms} of {counted(row['n_patients'], 'patient')}"
        lines.setdefault((row["cohort"], row["term"], counts), {})[row["model"]] = _cell(row)
    return pd.DataFrame(
        [
            {"Kind": kind, "Characteristic": term, "Counts": counts,
             "Ratio of rates (Poisson)": cells[POISSON],
             "Ratio of hazards (Andersen-Gill)": cells[ANDERSEN_GILL]}
            for (kind, term, counts), cells in lines.items()
        ]
    )  # fmt: skip


def _cell(row: dict[str, Any]) -> str:
    if pd.isna(row["estimate"]):
        return str(row["note"])
    limits = interval(row["conf_low"], row["conf_high"], 2)
    note = f"; {row['note']}" if row["note"] else ""
    return f"{number(row['estimate'], 2)} ({limits}{note})"


def _model_rows(
    cohorts: CohortSet, given: HarmTables, name: str, kinds: list[str]
) -> list[dict[str, Any]]:
    spells, left_out = _spells(cohorts, given, kinds)
    people = _people(spells)
    events = int(people["events"].sum()) if len(people) else 0
    head: dict[str, Any] = {
        "cohort": name, "events": events, "n_patients": int(people["patient_id"].nunique()),
        "exposure": float(people["years"].sum()) if len(people) else 0.0,
    }  # fmt: skip
    absent = f"{counted(left_out, 'patient')} without a covariate left out" if left_out else ""
    blank = {"term": "all", "p_value": None}
    if not cohorts.has("complications"):
        note = "not estimable: the study has no complications table"
        head["events"] = None
        return [head | blank | {"model": m, "note": note} for m in (POISSON, ANDERSEN_GILL)]
    terms = _terms(people)
    harmed = int(people.loc[people["events"] > 0, "patient_id"].nunique())
    needed = cohorts.plan.complications.events_per_term * max(len(terms), 1)
    if not terms or harmed < needed:
        note = (
            f"not estimable: {counted(harmed, 'patient')} with harm for {len(terms)} "
            f"terms; {needed} needed"
            if terms
            else "not estimable: no covariate varies"
        )
        return [head | blank | {"model": m, "note": note} for m in (POISSON, ANDERSEN_GILL)]
    found = [(POISSON, _poisson(people, terms)), (ANDERSEN_GILL, _andersen_gill(spells, terms))]
    return [
        head | row | {"model": model, "note": "; ".join(n for n in (row["note"], absent) if n)}
        for model, part in found
        for row in part
    ]


def _spells(cohorts: CohortSet, given: HarmTables, kinds: list[str]) -> tuple[pd.DataFrame, int]:
    """Return stretches with covariates as numbers, and how many patients lack one."""
    names = list(cohorts.plan.complications.model_covariates)
    frames, left_out = [], 0
    for kind in kinds:
        new = cohorts.new(kind)
        told = new[names].where(new[names] != "unknown")
        known = new.loc[told.notna().all(axis=1)]
        left_out += len(new) - len(known)
        coded = _coded(known[names]).assign(patient_id=known["patient_id"])
        if len(kinds) > 1:
            coded["implanted, against adhesive"] = float(kind == "implanted")
        spells = patient_spells(cohorts, given, kind).merge(coded, on="patient_id", how="inner")
        frames.append(spells.assign(kind=kind))
    rows = pd.concat(frames, ignore_index=True)
    filled = [c for c in rows.columns if c not in _PLAIN]
    return rows.fillna(dict.fromkeys(filled, 0.0)), left_out


_PLAIN = ("patient_id", "entry", "exit", "events", "died", "kind")


def _coded(covariates: pd.DataFrame) -> pd.DataFrame:
    """Numbers by their readable step from their mean; categories against the most frequent."""
    made: dict[str, pd.Series] = {}
    for name in covariates.columns:
        values = covariates[name]
        if pd.api.types.is_numeric_dtype(values):
            step, words = STEPS.get(str(name), (1.0, f"per unit of {name}"))
            made[words] = values.astype(float) / step
            continue
        levels = values.astype(str).value_counts(sort=False).sort_index()
        usual = str(levels.idxmax()) if len(levels) else ""
        for level in levels.index:
            if level != usual:
                made[f"{name}: {level}, against {usual}"] = (values == level).astype(float)
    return pd.DataFrame(made, index=covariates.index)


def _people(spells: pd.DataFrame) -> pd.DataFrame:
    """One row per patient and kind: harms, years since the index date and covariates."""
    years = (spells["exit"] - spells["entry"].clip(lower=0)) / DAYS_PER_YEAR
    columns = [c for c in spells.columns if c not in _PLAIN]
    grouped = spells.assign(years=years).groupby(["patient_id", "kind"], sort=True)
    found = grouped.agg(
        {"events": "sum", "years": "sum", **dict.fromkeys(columns, "first")}
    ).reset_index()
    # Harm on the only day of a follow-up: that day counts as half.
    same_day = (found["years"] == 0) & (found["events"] > 0)
    return found.assign(years=found["years"].where(~same_day, 0.5 / DAYS_PER_YEAR))


def _terms(people: pd.DataFrame) -> list[str]:
    names = [c for c in people.columns if c not in (*_PLAIN, "years")]
    return [name for name in names if people[name].min() < people[name].max()]


def _poisson(people: pd.DataFrame, terms: list[str]) -> list[dict[str, Any]]:
    # Centred, so that the model's own start lies near its end; ratios stay as they are.
    short = {term: f"x{i}" for i, term in enumerate(terms)}
    frame = people[["patient_id", "events", "years"]].copy()
    for term, name in short.items():
        frame[name] = people[term] - people[term].mean()
    fit = rate_model(
        frame, formula=f"events ~ {' + '.join(short.values())}", exposure="years",
        cluster="patient_id",
    )  # fmt: skip
    rows = fit.table.set_index("term").loc[list(short.values())].to_dict("records")
    return [_plain(row) | {"term": term} for term, row in zip(terms, rows, strict=True)]


def _andersen_gill(spells: pd.DataFrame, terms: list[str]) -> list[dict[str, Any]]:
    state = np.where(spells["events"] > 0, "harm", "censored")
    # Harms of one day are one event here: the day is all that is known of their order.
    lives = spells.assign(state=state)
    fit = cox(lives, covariates=terms, event="harm", cluster="patient_id")
    rows = fit.table.set_index("covariate").loc[terms].to_dict("records")
    return [_plain(row) | {"term": term} for term, row in zip(terms, rows, strict=True)]


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    values: dict[str, Any] = {
        name: float(row[name]) if np.isfinite(row[name]) else None
        for name in ("estimate", "conf_low", "conf_high", "p_value")
    }
    return values | {"note": str(row["note"])}


def _finding(table: pd.DataFrame) -> str:
    known = table.loc[table["estimate"].notna() & (table["model"] == ANDERSEN_GILL)]
    if known.empty:
        row = table.iloc[0]
        return f"No model of harm could be fitted: {row['note'].removeprefix('not estimable: ')}."
    parts = [
        f"{row['cohort']}, {row['term']}: {number(row['estimate'], 2)} (95 % interval "
        f"{interval(row['conf_low'], row['conf_high'], 2)}; {counted(row['events'], 'harm')} of "
        f"{counted(row['n_patients'], 'patient')})"
        for row in known.to_dict("records")[:3]
    ]
    return f"Ratios of the hazard of harm: {'; '.join(parts)}."


def _record(row: dict[str, Any]) -> Record:
    plain: dict[str, Any] = {name: None if pd.isna(v) else v for name, v in row.items()}
    both = plain["cohort"] == "both kinds"
    return Record(
        outcome="complications", quantity="ratio of harm", population="cumulative",
        cohort=None if both else plain["cohort"],
        contrast="implanted against adhesive" if both else None,
        by={"term": plain["term"]}, estimate=plain["estimate"], conf_low=plain["conf_low"],
        conf_high=plain["conf_high"], n_patients=plain["n_patients"], events=plain["events"],
        exposure=plain["exposure"], unit="ratio", method=plain["model"],
        note=plain["note"] or None,
    )  # fmt: skip
