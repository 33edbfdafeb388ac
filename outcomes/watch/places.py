"""Sites as a result: observed against expected, or a funnel where there are many."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.errors import UsageError, known_names
from outcomes.figures.scales import PERCENT, about, drawn_values, fix_scale
from outcomes.figures.signals import draw_signals
from outcomes.figures.style import ACCENT, FAINT, INK
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.funnel import funnel_limits
from outcomes.statistics.intervals import proportion
from outcomes.units import counted
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
        name=name, title=f"Do sites differ? {title}",
        table=pd.DataFrame({"note": [why]}), entries=[record],
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
        title=f"Do sites differ? {part.of.title}",
        table=table.drop(columns="fires"),
        entries=[_site_record(part, row) for row in table.to_dict("records")],
        finding=f"{part.of.title}, {counted(len(table), 'site')}, {verdict}: {'; '.join(rows)}.",
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
        summary=_summary(table),
        drawing=drawing,
        alt=f"Share by site with interval: {'; '.join(rows)}.",
        height=2.8 if many else 1.1 + 0.4 * len(table),
    )


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line a site; every column of the table lies in the CSV."""
    return pd.DataFrame(
        [
            {
                "Site": row["site"],
                "Observed": f"{row['events']:.0f} of {counted(row['size'], 'procedure')}",
                "Expected": number(row["expected"]),
                "% (95 % interval)": f"{number(row['estimate'])} "
                f"({interval(row['conf_low'], row['conf_high'])})",
                "A row from": "–" if pd.isna(row["signal_from"]) else f"{row['signal_from']}",
                "Note": row["note"],
            }
            for row in table.to_dict("records")
        ]
    )


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
            f"{row['events']:.0f} of {row['size']:.0f}{': a row' if row['fires'] else ''}",
            (row["conf_high"], place),
            xytext=(5, 0), textcoords="offset points", va="center", fontsize="small",
        )  # fmt: skip
    ax.axvline(target, color=FAINT, linewidth=1)
    ax.annotate("reference", (target, 1), xycoords=("data", "axes fraction"), xytext=(3, -2),
                textcoords="offset points", va="top", fontsize="small")  # fmt: skip
    ax.set_yticks(np.arange(len(order)), list(order["site"]))
    ax.set_ylim(-0.6, len(order) - 0.1)
    ax.set_xlabel("% of procedures")
    fix_scale(ax, "x", PERCENT, drawn_values(order), room=(0.0, 0.16))


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
    draw_signals(
        ax, x=list(table["size"][hit]), y=list(table["estimate"][hit]),
        words=list(table["site"][hit]),
    )  # fmt: skip
    ax.annotate("reference", (1, target), xycoords=("axes fraction", "data"), xytext=(4, 0),
                textcoords="offset points", va="center", fontsize="small")  # fmt: skip
    ax.set_xlim(0, sizes[-1])
    ax.set_xlabel(f"procedures (n = {table['size'].sum():,.0f} of {counted(len(table), 'site')})")
    ax.set_ylabel("% of procedures")
    scale = about(target, times=5.0, highest=100.0)
    fix_scale(ax, "y", scale, table["estimate"], room=(0.05, 0.1))
