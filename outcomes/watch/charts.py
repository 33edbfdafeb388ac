"""One chart a series: months against the reference, or gaps between rare events."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, DateFormatter
from scipy import optimize

from outcomes.errors import UsageError, known_names
from outcomes.figures.scales import about, fix_scale
from outcomes.figures.signals import draw_signals
from outcomes.figures.style import FAINT, INK
from outcomes.results import Record, Result, Show, number
from outcomes.statistics.reference_tails import Reference, signal_from, upper_tail
from outcomes.units import counted
from outcomes.watch.programme import Programme
from outcomes.watch.rules import applicable, gap_tails, series_signals
from outcomes.watch.series import OPEN, REFERENCE, Series, span_words


def control_chart(programme: Programme, of: str) -> Result:
    """How does one series run, month by month, against its reference?

    Parameters
    ----------
    programme : Programme
        As `programme_watch` returns it.
    of : str
        Key of the series: "procedure_harm", "not_completed", "wear_harm_implanted",
        "wear_harm_adhesive", "losses_implanted", "losses_adhesive", "visits_without_draw",
        "serious_related" or "site_infection".

    Returns
    -------
    Result
        For most series one row per month: `month`, `events`, `size`, `estimate`, `reference`,
        `limit` (from which the month is a row), `tail`, `part`, `signal`. For rare events one row
        per event after the reference: `on`, `events` (the last few together), `size` (exposure
        they took), `limit` (below which it is a row), `tail`, `signal`: only the lower limit of a
        gap can show a worsening.

    Raises
    ------
    UsageError
        There is no such series.
    """
    known = {one.key: one for one in programme.series}
    if of not in known:
        raise UsageError(known_names("series that is watched", of, known))
    one = known[of]
    if one.reference is None:
        return _blank(one)
    return _gap_chart(programme, one) if one.rare else _month_chart(programme, one)


def _question(one: Series) -> str:
    return f"Is it getting worse? {one.title}"


def _blank(one: Series) -> Result:
    record = Record(
        outcome="watch", quantity=one.title, population="cumulative", unit=one.unit, note=one.note
    )
    return Result(
        name=f"chart_{one.key}", title=_question(one), table=pd.DataFrame({"note": [one.note]}),
        entries=[record], finding=f"{one.title}: {one.note}.", caption=one.title,
        show={"note": Show("Note")},
    )  # fmt: skip


def _month_chart(programme: Programme, one: Series) -> Result:
    assert one.reference is not None
    table = _month_table(programme, one)
    signals = series_signals(one, programme.alpha, programme.rules)
    told = f"broke a rule ({'; '.join(signals[0].rules)})" if signals else "broke no rule"
    quarter = one.quarter
    runs = (
        f"A run of {programme.rules.run_length} months above the median of all months is a row."
        if applicable(one, programme.rules)
        else "Events are too few a month for runs about the median."
    )
    return Result(
        name=f"chart_{one.key}",
        title=_question(one),
        table=table,
        entries=[_record(one, row) for row in table.to_dict("records")],
        finding=(
            f"{one.title}: {number(quarter['events'].sum(), 0)} in "
            f"{number(quarter['size'].sum(), 1)} {one.size_name} this quarter, "
            f"{number(one.reference.estimate * float(quarter['size'].sum()), 1)} expected; the "
            f"series {told}."
        ),
        caption=(
            f"{one.title}, {one.unit}, by month. Reference {span_words(programme.cohorts)}: "
            f"{number(one.reference.estimate * one.per, 2)}. Limit: exact, probability "
            f"{programme.alpha:.4f} a month."
        ),
        footnotes=[
            "A month on or above its limit is a row. The limit moves with the month's size. "
            f"Hollow: reference. Cross: still open. {runs}",
        ],
        show=_SHOW_MONTHS,
        drawing=partial(_draw_months, table=table, unit=one.unit),
        alt=_alt(one, table),
        height=2.9,
    )


_SHOW_MONTHS = {
    "month": Show("Month"),
    "events": Show("Events", 0),
    "size": Show("Size (n)", 1),
    "estimate": Show("Estimate", 2),
    "limit": Show("Limit", 2),
    "part": Show("Part"),
    "signal": Show("Signal"),
}


def _month_table(programme: Programme, one: Series) -> pd.DataFrame:
    assert one.reference is not None
    points = one.points
    limits = [
        None if part == REFERENCE else signal_from(size, one.reference, alpha=programme.alpha)
        for size, part in zip(points["size"], points["part"], strict=True)
    ]
    limit = pd.Series(limits, dtype="Float64").astype(float).to_numpy()
    size = points["size"].where(points["size"] > 0)
    return pd.DataFrame(
        {
            "month": points["month"], "events": points["events"], "size": points["size"],
            "estimate": points["events"] / size * one.per,
            "reference": one.reference.estimate * one.per,
            "limit": limit / size * one.per,
            "tail": upper_tail(points["events"], points["size"], one.reference),
            "part": points["part"],
            "signal": (points["events"] >= limit) & (points["part"] != OPEN),
        }
    )  # fmt: skip


def _record(one: Series, row: dict[str, Any]) -> Record:
    exists = bool(np.isfinite(row["estimate"]))
    return Record(
        outcome="watch", quantity=one.title, population="cumulative",
        at=f"month {row['month']:%Y-%m}", estimate=row["estimate"] if exists else None,
        level=None, events=int(row["events"]), exposure=row["size"],
        n_units=round(row["size"]) if one.kind == "share" else 1, unit=one.unit,
        method="count of a month",
        note=None if exists else "not estimable: no exposure in this month",
    )  # fmt: skip


def _alt(one: Series, table: pd.DataFrame) -> str:
    shown = table.loc[table["estimate"].notna()]
    values = ", ".join(
        f"{row.month:%Y-%m} {number(row.estimate, 1)}" for row in shown.tail(6).itertuples()
    )
    events, size = (float(one.points[name].sum()) for name in ("events", "size"))
    return (
        f"{one.title}, {one.unit}, by month with limit; in all "
        f"{counted(events, 'event')} in {number(size, 1)} {one.size_name}; last months: {values}."
    )


def _draw_months(ax: Axes, *, table: pd.DataFrame, unit: str) -> None:
    months = pd.DatetimeIndex(table["month"])
    middle = months + pd.Timedelta(days=14)
    ax.plot(middle, table["estimate"], color=FAINT, linewidth=1)
    for part, style in ((REFERENCE, "none"), ("watched", INK)):
        here = (table["part"] == part).to_numpy()
        ax.plot(
            middle[here], table["estimate"][here], "o", color=INK, markerfacecolor=style,
            markersize=5,
        )  # fmt: skip
    still = (table["part"] == OPEN).to_numpy()
    ax.plot(middle[still], table["estimate"][still], "x", color=FAINT, markersize=6)
    hit = table["signal"].to_numpy(bool)
    draw_signals(
        ax, x=list(middle[hit]), y=list(table["estimate"][hit]),
        words=[counted(events, "event") for events in table["events"][hit]],
    )  # fmt: skip
    ends = np.append(months, months[-1:] + pd.offsets.MonthBegin(1))
    ax.stairs(
        table["limit"].to_numpy(), ends.astype("datetime64[D]").astype(float), color=INK,
        linewidth=1, linestyle="--", baseline=None,
    )  # fmt: skip
    level = float(table["reference"].iloc[0])
    ax.axhline(level, color=FAINT, linewidth=1)
    side = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points", "xytext": (4, 0),
            "va": "center", "fontsize": "small", "annotation_clip": False}  # fmt: skip
    ax.annotate("reference", (1, level), **side)  # type: ignore[arg-type]
    last = table["limit"].dropna()
    if len(last):
        ax.annotate("limit", (1, float(last.iloc[-1])), **side)  # type: ignore[arg-type]
    ax.set_ylabel(unit)
    scale = about(level, highest=100.0 if unit.startswith("%") else np.inf)
    fix_scale(ax, "y", scale, table[["estimate", "limit"]].to_numpy().ravel(), room=(0.05, 0.1))
    _few_dates(ax)


def _few_dates(ax: Axes) -> None:
    few = AutoDateLocator(minticks=3, maxticks=6)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(few)
    ax.xaxis.set_major_formatter(DateFormatter("%Y-%m"))  # type: ignore[no-untyped-call]


def gap_limit(together: int, reference: Reference, *, alpha: float) -> float:
    """Return the exposure below which so many events together are a row.

    Examples
    --------
    >>> round(gap_limit(2, Reference(kind="rate", level=1.0), alpha=0.05), 4)
    0.3554
    """

    def excess(log_size: float) -> float:
        return float(upper_tail(together, np.exp(log_size), reference)) - alpha

    return float(np.exp(optimize.brentq(excess, -30.0, 30.0, xtol=1e-12)))


def _gap_chart(programme: Programme, one: Series) -> Result:
    assert one.reference is not None
    together = programme.rules.gaps_together
    table = gap_tails(one, together)
    silent = one.reference.estimate == 0 and one.reference.level is not None
    limit = 0.0 if silent else gap_limit(together, one.reference, alpha=programme.alpha)
    table = table.assign(limit=limit, signal=table["tail"] <= programme.alpha)
    n = 0 if one.days is None else len(one.days)
    months = len(one.watched)
    fires = int(table["signal"].sum())
    words = (
        f"{counted(fires, 'gap')} shorter than the limit"
        if fires
        else "no gap shorter than the limit"
    )
    return Result(
        name=f"chart_{one.key}",
        title=_question(one),
        table=table,
        entries=[_gap_record(one, n, months)],
        finding=(
            f"{one.title}: {counted(n, 'event')} in {counted(months, 'month')} after the "
            "reference, whose level is "
            f"{number(one.reference.estimate * one.per, 2)} {one.unit}; {words}."
        ),
        caption=(
            f"{one.title}: exposure that the last {together} events took. Below "
            f"{number(limit, 2)} sensor-years (exact lower limit, probability "
            f"{programme.alpha:.4f}) events come too fast."
        ),
        footnotes=["Points appear from "
                   f"event {together} after the reference on. Short gaps are the bad news."],
        show={"on": Show("Event on"), "size": Show("Sensor-years (n)", 2),
              "limit": Show("Limit", 2), "signal": Show("Signal")},
        drawing=partial(_draw_gaps, table=table, limit=limit) if len(table) else None,
        alt=f"Exposure between events of {one.title} (n = {counted(n, 'event')} in "
        f"{counted(months, 'month')}), with the lower limit {number(limit, 2)}.",
        height=2.6,
    )  # fmt: skip


def _gap_record(one: Series, n: int, months: int) -> Record:
    size = float(one.watched["size"].sum())
    return Record(
        outcome="watch", quantity=f"{one.title}, events after the reference",
        population="cumulative", estimate=float(n), level=None, events=n, n_units=months,
        exposure=size, unit="events", method="count",
    )  # fmt: skip


def _draw_gaps(ax: Axes, *, table: pd.DataFrame, limit: float) -> None:
    ax.plot(table["on"], table["size"], color=FAINT, linewidth=1)
    hit = table["signal"].to_numpy(bool)
    ax.plot(table["on"][~hit], table["size"][~hit], "o", color=INK, markersize=5)
    draw_signals(
        ax, x=list(table["on"][hit]), y=list(table["size"][hit]),
        words=["too fast"] * int(hit.sum()), beside="below",
    )  # fmt: skip
    ax.axhline(limit, color=INK, linewidth=1, linestyle="--")
    ax.annotate(
        "lower limit", (1, limit), xycoords=("axes fraction", "data"), xytext=(4, 0),
        textcoords="offset points", va="center", fontsize="small", annotation_clip=False,
    )  # fmt: skip
    ax.set_ylabel("sensor-years")
    fix_scale(ax, "y", about(limit), [*table["size"], limit], room=(0.14, 0.05))
    _few_dates(ax)
