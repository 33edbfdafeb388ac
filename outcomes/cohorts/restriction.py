"""A study restricted to some patients, or to one kind of sensor, before cohorts are built."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Final

import pandas as pd

from outcomes.cohorts.states import state_on
from outcomes.errors import UsageError, known_names
from outcomes.tables.declared import KINDS

COHORT: Final = "cohort"
NO_VALUE: Final = "not recorded"

Tables = Mapping[str, pd.DataFrame]


def restrictable(tables: Tables) -> list[str]:
    """Return the names that a restriction can use: the cohort, patients' texts, recorded states.

    Examples
    --------
    >>> tables = {"patients": pd.DataFrame({"patient_id": ["P1"], "sex": ["female"]}),
    ...           "states": pd.DataFrame({"what": ["site"]})}
    >>> restrictable(tables)
    ['cohort', 'sex', 'site']
    """
    patients = tables["patients"]
    texts = [name for name in patients.columns if patients[name].dtype == object]
    states = set(tables["states"]["what"])
    return [COHORT, *sorted({*texts, *states} - {"patient_id", COHORT})]


def patient_values(tables: Tables, found: pd.DataFrame, name: str, *, cut_off: date) -> pd.Series:
    """Return one value of `name` for every patient, so that groups never overlap.

    A dated fact is taken on the patient's first index date of any kind, when it could not yet
    depend on the outcome, and on the cut-off for patients without an index date.

    Parameters
    ----------
    tables : mapping of name to DataFrame
        As they stood at the cut-off.
    found : DataFrame, one row per patient and kind
        `patient_id`, `index_date`, as `index_dates` returns it.
    name : str
        A column of `patients` or a recorded state.
    cut_off : date

    Returns
    -------
    Series of str, indexed by patient_id
        "not recorded" where there is no value.

    Raises
    ------
    UsageError
        The name is not one of `restrictable`.
    """
    names = [known for known in restrictable(tables) if known != COHORT]
    if name not in names:
        raise UsageError(known_names("column or state of the patients", name, names))
    patients = tables["patients"]
    if name in patients.columns:
        values = patients[name]
    else:
        first = found.groupby("patient_id")["index_date"].min()
        day = patients["patient_id"].map(first).fillna(pd.Timestamp(cut_off))
        at = patients[["patient_id"]].assign(day=day)
        values = state_on(tables["states"], what=name, at=at, day="day")
    values = values.astype(object).where(values.notna(), NO_VALUE).astype(str)
    return pd.Series(values.to_numpy(), index=patients["patient_id"].to_numpy(), dtype=object)


def chosen_patients(
    tables: Tables, found: pd.DataFrame, where: Mapping[str, str], *, cut_off: date
) -> pd.Series:
    """Return the ids of the patients who meet every condition but the cohort's.

    Raises
    ------
    UsageError
        A name or a value is unknown; the message lists the known ones.
    """
    ids = tables["patients"]["patient_id"]
    meets = pd.Series(True, index=ids.to_numpy())
    for name, value in where.items():
        if name == COHORT:
            if value not in KINDS:
                raise UsageError(known_names("cohort", value, KINDS))
            continue
        values = patient_values(tables, found, name, cut_off=cut_off)
        if value not in set(values):
            raise UsageError(known_names(f"value of {name}", value, set(values)))
        meets &= values == value
    return ids.loc[meets.to_numpy()]


def restricted(tables: Tables, patients: pd.Series, kind: str | None) -> dict[str, pd.DataFrame]:
    """Return the tables of these patients; with `kind`, of these sensors and what names them."""
    kept = {
        name: frame.loc[frame["patient_id"].isin(patients)].reset_index(drop=True)
        for name, frame in tables.items()
    }
    if kind is None:
        return kept
    others = set(kept["sensors"].loc[kept["sensors"]["kind"] != kind, "sensor_id"])
    for name in ("sensors", "procedures", "complications", "fingersticks"):
        if name in kept and "sensor_id" in kept[name].columns:
            about_other = kept[name]["sensor_id"].isin(others)
            kept[name] = kept[name].loc[~about_other].reset_index(drop=True)
    return kept


def words(where: Mapping[str, str]) -> str:
    """Return a restriction in words.

    Examples
    --------
    >>> words({"site": "north", "sex": "female"})
    'site north, sex female'
    """
    return ", ".join(f"{name} {value}" for name, value in where.items())
