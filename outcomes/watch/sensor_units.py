"""Models, lots and sites that lose sensors early: observed against expected."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy.stats import norm

from outcomes.cohorts.build import CohortSet
from outcomes.figures.style import ACCENT, FAINT, INK
from outcomes.measures.sensor_ends import LOST_STATES, lives_in
from outcomes.measures.sensor_survival import kinds_of, sensor_ends_of
from outcomes.plan import SensorSurvival
from outcomes.results import DASH, Record, Result, interval, number
from outcomes.statistics.observed_expected import (
    UnitLives,
    clustered_ratio,
    drawn_events,
    frailty_variance,
    left_out,
    left_out_each,
)
from outcomes.statistics.probability_limits import normal_quantile
from outcomes.statistics.rate_contrasts import rate_ratio
from outcomes.units import counted

GROUPINGS: Final = ("model", "lot", "site")
CLASS_OF: Final = {
    "model": "the other models of the kind, by share of planned life",
    "lot": "the other lots of the model",
    "site": "the other sites, model by model",
}
LOOKS_A_YEAR: Final = 4
SIMULATED: Final = 200  # quiet looks behind alpha, and as many others behind its rate
LARGEST_ALPHA: Final = 0.01
REGISTRY_RATIO: Final = 2.0
REGISTRY_P: Final = 0.05
LEVEL: Final = 0.95
WORTH_A_LOOK: Final = 0.05  # a larger exact tail fires at no alpha in use

CELLS: Final = 2_000_000  # of one array of simulated looks

Row = dict[str, Any]
Drawn = tuple[np.ndarray, np.ndarray]  # last step and event of every sensor


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Grouping:
    """The sensors of one kind, told apart by one column, on the grid of their ages.

    Attributes
    ----------
    kind, column : str
    lives : UnitLives
    table : DataFrame, one row per unit, by name
        `unit`, `n_units` (sensors), `n_patients`, `losses`, `days` (worn), then those of
        `left_out`.
    frailty : float
        Variance of the patients' own factors on the hazard.
    """

    kind: str
    column: str
    lives: UnitLives
    table: pd.DataFrame
    frailty: float


def sensor_units(cohorts: CohortSet) -> Result:
    """Does any model, lot or site lose more sensors than the others of its class?

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table` has one row per kind, grouping and unit, by name, never ranked: `observed` losses,
        `expected` by the hazard of the others of its class at the same ages (the unit left out),
        `ratio` with exact limits, limits by patient (`by_patient_low`, `by_patient_high`), `tail`
        (probability of so many or more), `larger_tail` (of it and that by patient), `fires`,
        `registry` (the rule of a joint registry, shown beside) and `note`.

    Notes
    -----
    Everything worn since the plan's start, with late entry, before the planned day. A unit fires
    when the exact probability of so many losses, and that of the ratio by patient (normal on the
    log scale), are both at most alpha. One alpha for all units and looks: the largest at which
    simulated looks without any difference (events drawn under one hazard for each class, patients
    differing as they do) come to no more alarms than the plan allows in a year of four looks. What
    the rule comes to is then counted in other simulated looks. The registry's rule: at least twice
    the losses per year of wear of the rest of the class, p below 0.05, at least ten sensors [1]_
    (from memory).

    References
    ----------
    .. [1] de Steiger RN, Miller LN, Davidson DC, Ryan P, Graves SE. Joint registry approach for
       identification of outlier prostheses. Acta Orthop 2013;84:348-352.
    """
    rules = cohorts.plan.sensor_survival
    found = groupings(cohorts)
    judged = sum(int(_judged(part.table, rules).sum()) for part in found)
    first, second = (np.random.default_rng([cohorts.plan.plan.seed, 6, n]) for n in (1, 2))
    alpha = shared_alpha(quiet_tails(found, rules, looks=SIMULATED, rng=first), rules)
    rows = [row for part in found for row in unit_rows(part, alpha, rules)]
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    mean, error = false_alarms(quiet_tails(found, rules, looks=SIMULATED, rng=second), alpha)
    answer = _finding(table, judged, cohorts)
    drawn = table.loc[_told(table) & (table["note"] == "") & table["ratio"].notna()]
    return Result(
        name="sensor_units",
        title="Does any model, lot or site lose more sensors than its class?",
        table=table,
        entries=[_record(row) for row in rows],
        finding=answer,
        caption=(
            "Losses before the planned day since "
            f"{cohorts.plan.plan.start}, observed against expected by the others of the class at "
            f"the same ages; ratio with exact 95 % limits. Cut-off {cohorts.cut_off}."
        ),
        footnotes=[
            f"Class: {'; '.join(f'{name}: {what}' for name, what in CLASS_OF.items())}. The unit "
            "is left out of its own class. Sensors taken out for other reasons are watched until "
            "then. Units stand in the order of their names and are never ranked.",
            f"A unit fires at a probability of {alpha:.2g} or less (exact, given what is known of "
            "its class, and by patient, whichever is larger): "
            f"{rules.unit_false_alarms_a_year:g} false alarms a year are allowed over "
            f"{counted(judged, 'unit')} judged and {LOOKS_A_YEAR} looks. In {SIMULATED} other "
            f"simulated looks without any difference the rule came to {number(mean, 2)} a "
            f"year (Monte Carlo error {number(error, 2)}).",
            f"Under {rules.fewest_unit_sensors} sensors or {rules.fewest_unit_patients} patients "
            "a unit is counted and not judged. Registry rule beside it: at least twice the losses "
            f"per year of wear of the rest of its class, p below {REGISTRY_P:g}, ten sensors; it "
            "has no budget over units and looks.",
            "A ratio says nothing about why: sites treat different patients, lots are worn at "
            "different times. Report device problems as local rules require.",
        ],
        settings={
            "false alarms a year": f"{rules.unit_false_alarms_a_year:g}",
            "fewest sensors": str(rules.fewest_unit_sensors),
            "fewest patients": str(rules.fewest_unit_patients),
        },
        summary=_summary(table),
        drawing=partial(_draw, rows=drawn) if len(drawn) else None,
        alt=(
            "Observed over expected losses with 95 % limits on a log scale: "
            + ", ".join(f"{_name(row)} {number(row['ratio'])}" for row in drawn.to_dict("records"))
            + f". {answer}"
        ),
        height=1.0 + 0.27 * max(len(drawn), 1),
    )


_COLUMNS: Final = (
    "kind", "grouping", "unit", "n_units", "n_patients", "losses", "observed", "expected", "ratio",
    "conf_low", "conf_high", "by_patient_low", "by_patient_high", "tail",
    "larger_tail", "fires", "registry", "note",
)  # fmt: skip


def groupings(cohorts: CohortSet) -> list[Grouping]:
    """Return each kind's sensors worn since the plan's start, by model, lot and site."""
    ends = sensor_ends_of(cohorts)
    lives = lives_in(ends, first_on=cohorts.plan.plan.start, last_on=cohorts.cut_off)
    found = []
    for kind in kinds_of(ends):
        for column in GROUPINGS:
            mine = lives.loc[(lives["kind"] == kind) & lives[column].notna()]
            if len(mine[column].unique()) > 1:
                found.append(_grouping(mine.reset_index(drop=True), kind, column))
    return found


def _grouping(lives: pd.DataFrame, kind: str, column: str) -> Grouping:
    planned = lives["planned_days"].to_numpy(float)
    days = np.unique(planned)
    grid = np.unique(np.concatenate([np.round(np.arange(d + 1) / d, 9) for d in days]))

    def step(day: str) -> np.ndarray:
        return np.round(lives[day].to_numpy(float) / planned, 9)

    unit, names = pd.factorize(lives[column].astype(str), sort=True)
    model = lives["model"].astype(object).where(lives["model"].notna(), "").astype(str)
    stratum, strata = pd.factorize(model if column != "model" else np.zeros(len(lives)))
    cluster, patients = pd.factorize(lives["patient_id"])
    made = UnitLives(
        first=np.searchsorted(grid, step("entry"), "right"),
        last=np.searchsorted(grid, step("exit"), "left"),
        until=np.searchsorted(grid, step("limit"), "left"),
        event=lives["state"].isin(LOST_STATES).to_numpy(),
        unit=unit, stratum=stratum, cluster=cluster, steps=len(grid), units=len(names),
        strata=len(strata), clusters=len(patients),
    )  # fmt: skip
    counts = pd.DataFrame(
        {
            "unit": np.asarray(names, dtype=object),
            "n_units": np.bincount(unit, minlength=len(names)),
            "n_patients": lives.groupby(unit)["patient_id"].nunique().to_numpy(),
            "losses": np.bincount(unit, made.event, minlength=len(names)).astype(int),
            "days": np.bincount(unit, lives["exposure_days"], minlength=len(names)),
        }
    )
    table = pd.concat([counts, left_out(*made.counted())], axis=1)
    return Grouping(
        kind=kind, column=column, lives=made, table=table, frailty=frailty_variance(made)
    )


def _judged(table: pd.DataFrame, rules: SensorSurvival) -> pd.Series:
    return (table["n_units"] >= rules.fewest_unit_sensors) & (
        table["n_patients"] >= rules.fewest_unit_patients
    )


def unit_rows(part: Grouping, alpha: float, rules: SensorSurvival) -> list[Row]:
    """Return the rows of one grouping: the two rules and the limits of each unit."""
    judged = _judged(part.table, rules)
    rows = []
    for place, row in enumerate(part.table.to_dict("records")):
        observed, others = int(row["observed"]), int(row["others"])
        # A unit that stood alone whenever it lost a sensor has nothing to be held against.
        alone = not row["expected"] > 0
        exact = None if alone else rate_ratio(observed, row["expected"], others, float(others))
        _, low, high = clustered_ratio(part.lives, place, level=LEVEL)
        tail = both_tails(part.lives, place, row["tail"])
        rows.append(
            {
                "kind": part.kind, "grouping": part.column, "unit": row["unit"],
                "n_units": int(row["n_units"]), "n_patients": int(row["n_patients"]),
                "losses": int(row["losses"]), "observed": observed, "expected": row["expected"],
                "ratio": exact and exact.estimate, "conf_low": exact and exact.conf_low,
                "conf_high": exact and exact.conf_high,
                "by_patient_low": low, "by_patient_high": high, "tail": row["tail"],
                "larger_tail": tail,
                "fires": bool(judged[place] and tail <= alpha),
                "registry": _registry(part.table, place, rules),
                "note": "" if judged[place] else "too few to judge",
            }
        )  # fmt: skip
        if alone:
            rows[-1]["note"] = "nothing at the same ages to be held against"
    return rows


def both_tails(lives: UnitLives, unit: int, exact: float, drawn: Any = (None, None)) -> float:
    """Return the larger of the exact tail and the tail by patient; the exact one above 0.05."""
    if exact > WORTH_A_LOOK:
        return exact
    last, event = drawn
    ratio, low, _ = clustered_ratio(lives, unit, level=LEVEL, last=last, event=event)
    if ratio is None or low is None:
        return 1.0
    error = np.log(ratio / low) / normal_quantile(LEVEL)
    return max(exact, float(norm.sf(np.log(ratio) / error)))


def _registry(table: pd.DataFrame, place: int, rules: SensorSurvival) -> bool:
    """Twice the losses per year of wear of the rest of its class, and p below 0.05."""
    mine, rest = table.iloc[place], table.drop(table.index[place])
    if mine["n_units"] < rules.fewest_unit_sensors or not rest["days"].sum() or not mine["days"]:
        return False
    shown = rate_ratio(
        int(mine["losses"]), float(mine["days"]), int(rest["losses"].sum()),
        float(rest["days"].sum()),
    )  # fmt: skip
    return (
        shown.estimate is not None
        and shown.p_value is not None
        and shown.estimate >= REGISTRY_RATIO
        and shown.p_value < REGISTRY_P
    )


def quiet_tails(
    found: list[Grouping], rules: SensorSurvival, *, looks: int, rng: np.random.Generator
) -> list[np.ndarray]:
    """Return the larger tails of all units judged in so many looks without any difference."""
    drawn: list[list[Drawn]] = [[] for _ in found]
    for _ in range(looks):
        for part, its in zip(found, drawn, strict=True):
            its.append(drawn_events(part.lives, variance=part.frailty, rng=rng))
    by_part = [_part_tails(part, its, rules) for part, its in zip(found, drawn, strict=True)]
    return list(np.hstack(by_part)) if by_part else [np.empty(0)] * looks


def _part_tails(part: Grouping, drawn: list[Drawn], rules: SensorSurvival) -> np.ndarray:
    """Return the larger tails of one grouping, an array of shape (looks, units judged)."""
    judged = np.flatnonzero(_judged(part.table, rules))
    lives = part.lives
    at_once = max(1, CELLS // (lives.units * lives.strata * lives.steps))
    exact = []
    for begin in range(0, len(drawn), at_once):
        last, event = map(np.stack, zip(*drawn[begin : begin + at_once], strict=True))
        exact.append(left_out_each(*lives.counted(last=last, event=event))["tail"][:, judged])
    tails = np.concatenate(exact)
    for look, place in np.argwhere(tails <= WORTH_A_LOOK):
        unit = int(judged[place])
        tails[look, place] = both_tails(lives, unit, tails[look, place], drawn[look])
    return tails


def shared_alpha(quiet: list[np.ndarray], rules: SensorSurvival) -> float:
    """Return the largest alpha at which quiet looks come to no more alarms than the plan's.

    Never above `LARGEST_ALPHA`.
    """
    allowed = int(rules.unit_false_alarms_a_year / LOOKS_A_YEAR * len(quiet))
    every = np.sort(np.concatenate(quiet)) if quiet else np.empty(0)
    if len(every) <= allowed:
        return LARGEST_ALPHA
    return float(min(LARGEST_ALPHA, np.nextafter(every[allowed], 0)))


def false_alarms(quiet: list[np.ndarray], alpha: float) -> tuple[float, float]:
    """Return false alarms a year at alpha, and the Monte Carlo error, of looks not seen before."""
    alarms = np.array([(tails <= alpha).sum() for tails in quiet], dtype=float)
    spread = float(alarms.std(ddof=1)) / np.sqrt(len(quiet)) if len(quiet) > 1 else 0.0
    return LOOKS_A_YEAR * float(alarms.mean()), LOOKS_A_YEAR * float(spread)


# --- words and picture ---------------------------------------------------------------------------


def _record(row: Row) -> Record:
    none = row["ratio"] is None
    return Record(
        outcome="sensor_units", quantity="losses observed over expected", population="cumulative",
        cohort=row["kind"], by={row["grouping"]: str(row["unit"])}, estimate=row["ratio"],
        conf_low=row["conf_low"], conf_high=row["conf_high"], n_units=row["n_units"],
        n_patients=row["n_patients"], events=row["losses"], unit="ratio",
        method="exact, conditional on the class",
        note=row["note"] or ("not estimable: the class lost none" if none else None),
    )  # fmt: skip


def _name(row: Row) -> str:
    return f"{row['kind']} {row['grouping']} {row['unit']}"


def _said(row: Row) -> str:
    return (
        f"{_name(row)} ({row['observed']} losses, {number(row['expected'])} expected, ratio "
        f"{number(row['ratio'])}, 95 % interval {interval(row['conf_low'], row['conf_high'])}; "
        f"{row['n_units']} sensors of {row['n_patients']} patients)"
    )


def _finding(table: pd.DataFrame, judged: int, cohorts: CohortSet) -> str:
    if table.empty:
        return "No two models, lots or sites of one kind can be told apart."
    fired = [_said(row) for row in table.loc[table["fires"]].to_dict("records")]
    beside = [_name(row) for row in table.loc[table["registry"]].to_dict("records")]
    watched = counted(judged, "model, lot or site", "models, lots and sites")
    verdict = (
        f"Loses more than its class: {'; '.join(fired)}."
        if fired
        else f"None of {watched} judged loses more than its class by more "
        f"than chance up to {cohorts.cut_off}."
    )
    others = f" By the registry's rule: {', '.join(beside)}." if beside else ""
    return verdict + others


def _told(table: pd.DataFrame) -> pd.Series:
    """Models and sites; of lots those that either rule names."""
    return (table["grouping"] != "lot") | table["fires"] | table["registry"]


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    told = _told(table)
    lines = [
        {
            "Unit": _name(row),
            "Sensors of patients": f"{row['n_units']:,} of {row['n_patients']:,}",
            "Lost": f"{row['observed']:,}",
            "Expected": number(row["expected"]),
            "Ratio (95 %)": DASH
            if row["ratio"] is None or pd.isna(row["ratio"])
            else f"{number(row['ratio'])} ({interval(row['conf_low'], row['conf_high'])})",
            "By our rule": row["note"] or ("fires" if row["fires"] else "does not fire"),
            "By the registry's": "named" if row["registry"] else "not named",
        }
        for row in table.loc[told].to_dict("records")
    ]
    rest = int((~told).sum())
    if rest:
        lines.append({"Unit": f"{rest} further lots, in the CSV", "By our rule": "none fires",
                      "By the registry's": "none named"})  # fmt: skip
    return pd.DataFrame(lines)


def _draw(ax: Axes, *, rows: pd.DataFrame) -> None:
    """Ratios on a log scale; an open end where there is no limit."""
    low, high = 0.1, 10.0
    order = rows.iloc[::-1].reset_index(drop=True)
    for place, row in enumerate(order.to_dict("records")):
        colour = ACCENT if row["fires"] else INK
        ends = [
            low if pd.isna(row["conf_low"]) else max(row["conf_low"], low),
            high if pd.isna(row["conf_high"]) else min(row["conf_high"], high),
        ]
        ax.plot(ends, [place, place], color=colour)
        if pd.notna(row["ratio"]) and low <= row["ratio"] <= high:
            ax.plot(row["ratio"], place, "D" if row["fires"] else "o", color=colour, markersize=5)
        ax.annotate(
            f"{row['observed']:.0f} / {row['expected']:.1f}", (high, place), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize="small", annotation_clip=False,
        )  # fmt: skip
    ax.axvline(1, color=FAINT, linewidth=1)
    ax.set_xscale("log")
    ax.set_xlim(low, high)
    ax.set_xticks([0.1, 0.5, 1, 2, 10], ["0.1", "0.5", "1", "2", "10"])
    ax.minorticks_off()
    ax.set_yticks(range(len(order)), [_name(row) for row in order.to_dict("records")])
    ax.set_ylim(-0.6, len(order) - 0.4)
    ax.set_xlabel("losses observed over expected (right: observed / expected)")
