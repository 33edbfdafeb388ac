"""One inserter's private page: every procedure from the first recorded one, and two charts."""

from __future__ import annotations

from functools import partial

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from outcomes.errors import UsageError, known_names
from outcomes.figures.signals import draw_signals
from outcomes.figures.style import FAINT, INK
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.intervals import proportion
from outcomes.units import counted
from outcomes.watch.inserters import InserterCurve
from outcomes.watch.programme import Programme


def inserter_page(programme: Programme, inserter_id: str) -> Result:
    """One inserter's private page: every procedure from the first recorded one.

    For the inserter and the clinic's peer review only; no report shows it. Two lines are drawn
    and named: observed less expected failures from the first procedure, and the sequential chart
    (a sequential probability ratio test) from the plan's procedure on, with its two limits.
    Supervised cases are hollow. The chart goes on after a crossing; the first one decides.

    Parameters
    ----------
    programme : Programme
    inserter_id : str

    Raises
    ------
    UsageError
        No procedure names this inserter.
    """
    known = {one.inserter_id: one for one in programme.inserters}
    if inserter_id not in known:
        raise UsageError(known_names("recorded inserter", inserter_id, known))
    one, rules = known[inserter_id], programme.rules
    cases = one.cases.drop(columns=["inserter_id", "procedure_id", "role", "known"])
    n = len(cases)
    share = proportion(one.failures, n, method="exact")
    told = (
        f"{one.failures} of {counted(n, 'procedure')} failed "
        f"({number(100 * (share.estimate or 0))} %, 95 % "
        f"interval {interval(100 * (share.conf_low or 0), 100 * (share.conf_high or 0))}), "
        f"{number(rules.p0 * n, 1)} expected at the acceptable rate"
        if n
        else "no procedure's outcome is known yet"
    )
    decision = {
        "acceptable": "the sequential chart accepts the acceptable rate",
        "unacceptable": "the sequential chart crossed its upper limit: talk about it first",
        "undecided": "the sequential chart is undecided",
    }[one.decision]
    charted = counted(max(n - rules.sequential_from + 1, 0), "case")
    return Result(
        name="inserter_page",
        title=f"How do the procedures of inserter {inserter_id} go?",
        table=cases,
        private=True,
        entries=[
            Record(
                outcome="watch", quantity="failed procedures", population="cumulative",
                by={"inserter": inserter_id}, events=one.failures, n_units=n,
                estimate=None if not n else 100 * (share.estimate or 0.0),
                conf_low=None if not n else 100 * (share.conf_low or 0.0),
                conf_high=None if not n else 100 * (share.conf_high or 0.0),
                unit="% of procedures", method="exact",
                note=None if n else "not estimable: no procedure's outcome is known yet",
            )
        ],
        finding=f"{told[0].upper()}{told[1:]}; {decision} ({charted} on the chart).",
        caption=(
            f"Private. Failures of {inserter_id} ({one.role}), case by case. Acceptable "
            f"{100 * rules.p0:g} %, unacceptable {100 * rules.p1:g} %, errors {rules.alpha:g} and "
            f"{rules.beta:g}; the chart starts with procedure {rules.sequential_from}."
        ),
        footnotes=[
            f"Supervised: {counted(int(cases['supervised'].sum()), 'procedure')}. Left out, failed "
            f"or not, as too recent for their outcome to be known: {one.open_cases}.",
            "The first procedure here is the first recorded one; earlier ones are unknown. Cases "
            "differ in difficulty. Limits are Wald's.",
        ],
        show={
            "case": Show("Case", 0), "on": Show("Day"), "what": Show("Procedure"),
            "supervised": Show("Supervised"), "failure": Show("Failed", 0),
            "because": Show("Because"), "observed_minus_expected": Show("Observed − expected", 2),
            "statistic": Show("Sequential chart", 2),
        },
        drawing=partial(_draw_curve, one=one) if n else None,
        alt=f"Failures case by case of one inserter: {told}.",
        height=3.0,
    )  # fmt: skip


def _draw_curve(ax: Axes, *, one: InserterCurve) -> None:
    cases = one.cases
    ax.axhline(0, color=FAINT, linewidth=0.8)
    lines = (
        ("observed_minus_expected", FAINT, "--", "s", "observed − expected"),
        ("statistic", INK, "-", "o", "sequential chart"),
    )
    ends = {column: float(cases[column].iloc[-1]) for column, *_ in lines}
    highest = max(ends, key=lambda column: (ends[column], column))
    for column, colour, line, marker, name in lines:
        known = cases.loc[cases[column].notna()]
        if known.empty:
            continue
        ax.plot(known["case"], known[column], color=colour, linestyle=line, linewidth=1.4)
        for flag, fill in ((True, "white"), (False, colour)):
            part = known.loc[known["supervised"] == flag]
            ax.plot(part["case"], part[column], marker, color=colour, markerfacecolor=fill,
                    markersize=4)  # fmt: skip
        # The names stand apart where the lines end together.
        ax.annotate(name, (known["case"].iloc[-1], known[column].iloc[-1]),
                    xytext=(8, 6 if column == highest else -6), textcoords="offset points",
                    va="center", fontsize="small", annotation_clip=False,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8})  # fmt: skip
    for limit, words in ((one.curve.upper, "unacceptable"), (one.curve.lower, "acceptable")):
        ax.axhline(limit, color=INK, linewidth=1, linestyle=":")
        ax.annotate(words, (0, limit), xycoords=("axes fraction", "data"), xytext=(3, 3),
                    textcoords="offset points", fontsize="small")  # fmt: skip
    if one.decision == "unacceptable":
        at = cases.loc[cases["statistic"] >= one.curve.upper].iloc[0]
        draw_signals(ax, x=[at["case"]], y=[at["statistic"]], words=["crossed"], beside="left")
    ax.set_xlim(0, 1.25 * max(len(cases), 4))
    low, high = ax.get_ylim()
    ax.set_ylim(min(low, one.curve.lower - 0.6), max(high, one.curve.upper + 0.8))
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_xlabel("procedure, in order (hollow: supervised)")
    ax.set_ylabel("failures")
