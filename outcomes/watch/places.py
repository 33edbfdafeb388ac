"""Sites and inserters as results: observed against expected, funnel, learning curves."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.errors import UsageError, known_names
from outcomes.figures.style import ACCENT, FAINT, INK, look
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.funnel import funnel_limits
from outcomes.statistics.intervals import proportion
from outcomes.watch.attention import AUDIENCES
from outcomes.watch.inserters import InserterCurve, roles_to_hide
from outcomes.watch.programme import Programme
from outcomes.watch.sites import SiteCounts

FUNNEL_LEVELS = (0.95, 0.998)


def sites(programme: Programme, of: str = "not_completed") -> Result:
    """Do sites differ from the programme's reference by more than chance?

    With few sites each is shown observed against expected; with as many as the plan says a funnel
    is drawn. Sites stand in the order of their names and are never ranked.

    Parameters
    ----------
    programme : Programme
    of : {"not_completed", "procedure_harm"}

    Returns
    -------
    Result
        `.table`, one row per site: `site`, `events`, `size`, `estimate`, `conf_low`, `conf_high`
        (% of procedures, exact), `expected`, `ratio` (observed to expected), `signal_from`,
        `tail`, `note`.

    Raises
    ------
    UsageError
        `of` is not one of these.
    """
    measures = ("not_completed", "procedure_harm")
    if of not in measures:
        raise UsageError(known_names("measure of sites", of, measures))
    found = {part.of.key: part for part in programme.sites}
    series = next(one for one in programme.series if one.key == of)
    if of not in found or found[of].table.empty:
        why = series.note or "not estimable: no procedure of a site in these months"
        return _nothing(f"sites_{of}", f"{series.title}, by site", why)
    return _sites_result(programme, found[of])


def _nothing(name: str, title: str, why: str) -> Result:
    record = Record(
        outcome="watch", quantity=title, population="cumulative", unit="% of procedures", note=why
    )
    return Result(
        name=name, title=title, table=pd.DataFrame({"note": [why]}), entries=[record],
        finding=f"{title}: {why}.", caption=title, show={"note": Show("Note")},
    )  # fmt: skip


def _sites_result(programme: Programme, part: SiteCounts) -> Result:
    assert part.of.reference is not None
    shares = [
        proportion(int(e), int(n), method="exact")
        for e, n in zip(part.table["events"], part.table["size"], strict=True)
    ]
    table = part.table.assign(
        estimate=[100 * (s.estimate or 0.0) for s in shares],
        conf_low=[100 * (s.conf_low or 0.0) for s in shares],
        conf_high=[100 * (s.conf_high or 0.0) for s in shares],
        ratio=np.where(
            part.table["expected"] > 0,
            part.table["events"] / part.table["expected"].where(part.table["expected"] > 0, 1),
            np.nan,
        ),
    )
    target = part.of.reference.estimate
    many = len(table) >= programme.rules.funnel_from_sites and 0 < target < 1
    drawing = partial(_draw_funnel if many else _draw_sites, table=table, target=100 * target)
    rows = [_site_words(row) for row in table.to_dict("records")]
    fires = int(table["fires"].sum())
    verdict = f"{fires} above the limit" if fires else "none above its limit"
    return Result(
        name=f"sites_{part.of.key}",
        title=f"{part.of.title}, by site",
        table=table.drop(columns="fires"),
        entries=[_site_record(part, row) for row in table.to_dict("records")],
        finding=f"{part.of.title}, {len(table)} sites, {verdict}: {'; '.join(rows)}.",
        caption=(
            f"{part.of.title} over {programme.rules.site_months} months by site, in order of "
            f"names; the programme's reference is {number(100 * target)} %. Exact 95 % intervals."
        ),
        footnotes=[
            "Sites differ in whom they treat and how hard the procedures are; nothing here is "
            f"adjusted for that. Under {programme.rules.fewest_site_procedures} procedures a site "
            "is counted and not judged."
            + (" Funnel: 95 and 99.8 % limits about the reference." if many else ""),
        ],
        show=_SHOW_SITES,
        drawing=drawing,
        alt=f"Share by site with interval: {'; '.join(rows)}.",
        height=2.8 if many else 1.1 + 0.4 * len(table),
    )


_SHOW_SITES = {
    "site": Show("Site"),
    "events": Show("Observed", 0),
    "expected": Show("Expected", 1),
    "size": Show("Procedures (n)", 0),
    "estimate": Show("%", 1),
    "conf_low": Show("95 % low", 1),
    "conf_high": Show("95 % high", 1),
    "signal_from": Show("A row from", 0),
    "note": Show("Note"),
}


def _site_words(row: dict[str, Any]) -> str:
    return (
        f"{row['site']} {number(row['estimate'])} % (95 % interval "
        f"{interval(row['conf_low'], row['conf_high'])}; {row['events']:.0f} of {row['size']:.0f})"
    )


def _site_record(part: SiteCounts, row: dict[str, Any]) -> Record:
    return Record(
        outcome="watch", quantity=f"{part.of.title}, by site", population="cumulative",
        by={"site": row["site"]}, estimate=row["estimate"], conf_low=row["conf_low"],
        conf_high=row["conf_high"], events=int(row["events"]), n_units=int(row["size"]),
        unit="% of procedures", method="exact", note=row["note"] or None,
    )  # fmt: skip


def _draw_sites(ax: Axes, *, table: pd.DataFrame, target: float) -> None:
    order = table.iloc[::-1].reset_index(drop=True)
    for place, row in enumerate(order.to_dict("records")):
        colour = ACCENT if row["fires"] else INK
        ax.plot([row["conf_low"], row["conf_high"]], [place, place], color=colour)
        ax.plot(row["estimate"], place, "D" if row["fires"] else "o", color=colour)
        ax.annotate(
            f"{row['events']:.0f} of {row['size']:.0f}", (row["conf_high"], place),
            xytext=(5, 0), textcoords="offset points", va="center", fontsize="small",
        )  # fmt: skip
    ax.axvline(target, color=FAINT, linewidth=1)
    ax.annotate("reference", (target, 1), xycoords=("data", "axes fraction"), xytext=(3, -2),
                textcoords="offset points", va="top", fontsize="small")  # fmt: skip
    ax.set_yticks(np.arange(len(order)), list(order["site"]))
    ax.set_ylim(-0.6, len(order) - 0.1)
    ax.set_xlim(0, 1.2 * max(float(order["conf_high"].max()), target))
    ax.set_xlabel("% of procedures")


def _draw_funnel(ax: Axes, *, table: pd.DataFrame, target: float) -> None:
    sizes = np.arange(1, int(1.1 * table["size"].max()) + 2)
    for level, line in zip(FUNNEL_LEVELS, ("--", ":"), strict=True):
        limits = funnel_limits(target / 100, sizes, level=level)
        for side in ("limit_low", "limit_high"):
            ax.plot(sizes, 100 * limits[side], color=INK, linewidth=1, linestyle=line)
        ax.annotate(f"{100 * level:g} %", (1, 100 * float(limits["limit_high"].iloc[-1])),
                    xycoords=("axes fraction", "data"), xytext=(4, 0), annotation_clip=False,
                    textcoords="offset points", va="center", fontsize="small")  # fmt: skip
    ax.axhline(target, color=FAINT, linewidth=1)
    hit = table["fires"].to_numpy(bool)
    ax.plot(table["size"][~hit], table["estimate"][~hit], "o", color=INK)
    ax.plot(table["size"][hit], table["estimate"][hit], "D", color=ACCENT)
    ax.set_xlim(0, sizes[-1])
    ax.set_ylim(0, max(3 * target, 1.2 * float(table["estimate"].max())))
    ax.set_xlabel("procedures")
    ax.set_ylabel("% of procedures")


def learning_curves(programme: Programme, *, audience: str = "clinic") -> Result:
    """How many inserters does each role have, and what do their sequential charts say together?

    For a committee by role, without ids, and nothing at all of a role with fewer inserters than
    the plan says. For the clinic's own peer review one row per inserter in the order of ids;
    never a ranking. The charts themselves are private: `inserter_page`.

    Parameters
    ----------
    programme : Programme
    audience : {"clinic", "committee", "external"}

    Raises
    ------
    UsageError
        The audience is not one of these.
    """
    if audience not in AUDIENCES:
        raise UsageError(known_names("audience of the watch", audience, AUDIENCES))
    rules = programme.rules
    hidden = roles_to_hide(programme.inserters, rules.fewest_per_role)
    rows = _rows_for(programme.inserters, audience, hidden)
    table = pd.DataFrame(
        rows,
        columns=[
            "who",
            "role",
            "inserters",
            "procedures",
            "failures",
            "acceptable",
            "unacceptable",
            "undecided",
            "note",
        ],
    )
    shown = table.loc[table["note"] == ""]
    counted = {name: int(shown[name].sum()) for name in ("procedures", "inserters")}
    if len(shown):
        finding = (
            f"{counted['inserters']} inserters with {counted['procedures']} procedures are shown; "
            f"charts: {int(shown['acceptable'].sum())} acceptable, "
            f"{int(shown['unacceptable'].sum())} unacceptable, "
            f"{int(shown['undecided'].sum())} undecided."
        )
    else:
        finding = (
            f"No inserters are shown: no role has {rules.fewest_per_role} or more."
            if programme.inserters
            else "No procedure names an inserter."
        )
    return Result(
        name="learning_curves",
        title="Inserters",
        table=table,
        private=audience == "clinic",
        entries=[_role_record(row) for row in rows],
        finding=finding,
        caption=(
            f"Failed: not completed, infection within {rules.infection_days} days, or sensor lost "
            f"within {rules.early_loss_days} days. Acceptable {100 * rules.p0:g} %, unacceptable "
            f"{100 * rules.p1:g} %, errors {rules.alpha:g} and {rules.beta:g}, charts from "
            f"procedure {rules.sequential_from} on."
        ),
        footnotes=["Cases differ in difficulty; a chart is a reason to talk, not a verdict."],
        show={name: Show(name.capitalize().replace("_", " "),
                         0 if name in ("inserters", "procedures", "failures", "acceptable",
                                       "unacceptable", "undecided") else None)
              for name in table.columns},
    )  # fmt: skip


def _rows_for(
    curves: tuple[InserterCurve, ...], audience: str, hidden: tuple[str, ...]
) -> list[dict[str, Any]]:
    if audience == "clinic":
        return [_row(one.inserter_id, one.role, [one]) for one in curves]
    rows = []
    for role in sorted({one.role for one in curves}):
        mine = [one for one in curves if one.role == role]
        if role in hidden:
            blank: dict[str, Any] = dict.fromkeys(
                ("inserters", "procedures", "failures", "acceptable", "unacceptable", "undecided")
            )
            note = "not shown: too few inserters in this role"
            rows.append({"who": role, "role": role, **blank, "note": note})
        else:
            rows.append(_row(role, role, mine))
    return rows


def _row(who: str, role: str, curves: list[InserterCurve]) -> dict[str, Any]:
    counts = {
        word: sum(one.decision == word for one in curves)
        for word in ("acceptable", "unacceptable", "undecided")
    }
    return {
        "who": who, "role": role, "inserters": len(curves),
        "procedures": sum(len(one.cases) for one in curves),
        "failures": sum(one.failures for one in curves), **counts, "note": "",
    }  # fmt: skip


def _role_record(row: dict[str, Any]) -> Record:
    return Record(
        outcome="watch", quantity="failed procedures", population="cumulative",
        by={"role": row["role"]}, level=None, events=row["failures"],
        estimate=None if row["failures"] is None else float(row["failures"]),
        n_units=row["procedures"], unit="procedures", method="count", note=row["note"] or None,
    )  # fmt: skip


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
        f"{one.failures} of {n} procedures failed ({number(100 * (share.estimate or 0))} %, 95 % "
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
    started = max(n - rules.sequential_from + 1, 0)
    return Result(
        name="inserter_page",
        title=f"Procedures of inserter {inserter_id}",
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
        finding=f"{told[0].upper()}{told[1:]}; {decision} ({started} cases on the chart).",
        caption=(
            f"Private. Failures of {inserter_id} ({one.role}), case by case. Acceptable "
            f"{100 * rules.p0:g} %, unacceptable {100 * rules.p1:g} %, errors {rules.alpha:g} and "
            f"{rules.beta:g}; the chart starts with procedure {rules.sequential_from}."
        ),
        footnotes=[
            f"{int(cases['supervised'].sum())} procedures were supervised. {one.open_cases} are "
            "too recent for their outcome to be known and are left out, failed or not.",
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
    style, other = look("implanted"), look("adhesive")
    ax.axhline(0, color=FAINT, linewidth=0.8)
    for column, how, name in (
        ("observed_minus_expected", other, "observed − expected"),
        ("statistic", style, "sequential chart"),
    ):
        known = cases.loc[cases[column].notna()]
        if known.empty:
            continue
        ax.plot(known["case"], known[column], color=how.colour, linestyle=how.line, linewidth=1.4)
        for flag, fill in ((True, "white"), (False, how.colour)):
            part = known.loc[known["supervised"] == flag]
            ax.plot(part["case"], part[column], how.marker, color=how.colour,
                    markerfacecolor=fill, markersize=4)  # fmt: skip
        ax.annotate(name, (known["case"].iloc[-1], known[column].iloc[-1]), xytext=(6, 0),
                    textcoords="offset points", va="center", fontsize="small",
                    color=INK, annotation_clip=False)  # fmt: skip
    for limit, words in ((one.curve.upper, "unacceptable"), (one.curve.lower, "acceptable")):
        crossed = one.decision == words == "unacceptable"
        ax.axhline(limit, color=ACCENT if crossed else INK, linewidth=1, linestyle=":")
        ax.annotate(words, (0, limit), xycoords=("axes fraction", "data"), xytext=(3, 3),
                    textcoords="offset points", fontsize="small")  # fmt: skip
    ax.set_xlim(0, 1.25 * max(len(cases), 4))
    low, high = ax.get_ylim()
    ax.set_ylim(min(low, one.curve.lower - 0.6), max(high, one.curve.upper + 0.8))
    ax.set_xlabel("procedure, in order (hollow: supervised)")
    ax.set_ylabel("failures")
