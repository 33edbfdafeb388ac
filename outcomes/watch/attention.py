"""The one table of what needs attention, and what was watched to make it."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.errors import UsageError, known_names
from outcomes.figures.scales import Scale, fix_scale
from outcomes.figures.signals import SIGNAL_MARKER
from outcomes.figures.style import ACCENT, FAINT, INK
from outcomes.results import Record, Result, number
from outcomes.statistics.reference_tails import signal_from, upper_tail
from outcomes.units import counted
from outcomes.watch.inserters import roles_to_hide
from outcomes.watch.programme import Programme
from outcomes.watch.rules import Signal
from outcomes.watch.series import Series, span_words

AUDIENCES: Final = ("clinic", "committee", "external")
_TOO_MANY: Final = (
    "That is too many: lower the plan's alpha of the inserters' charts, or lengthen its runs."
)
_COLUMNS = [
    *("key", "subject", "rules", "observed", "expected", "size", "size_name", "tail", "look_at"),
]


def attention(programme: Programme, *, audience: str = "clinic") -> Result:
    """What needs attention this quarter, by which rule, and what should be looked at first?

    Parameters
    ----------
    programme : Programme
        As `programme_watch` returns it.
    audience : {"clinic", "committee", "external"}
        A committee sees no row about an inserter of a role with fewer inserters than the plan
        says, and never an id.

    Returns
    -------
    Result
        `.table` has one row per thing that broke a rule in this quarter, in the fixed order of
        what is watched: `key`, `subject`, `rules`, `observed`, `expected`, `size`, `size_name`,
        `tail` (probability of so many or more under the reference), `look_at`. Beneath it stands
        how many such rows would be false in a year, by simulation at the clinic's volume; where
        there is none, the sentence says what would have been seen.

    Raises
    ------
    UsageError
        The audience is not one of these.
    """
    if audience not in AUDIENCES:
        raise UsageError(known_names("audience of the watch", audience, AUDIENCES))
    signals = _for_audience(programme, audience)
    rows = [
        {name: getattr(s, name) for name in _COLUMNS} | {"rules": "; ".join(s.rules)}
        for s in signals
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    false = programme.false_rows
    quarter = str(programme.cohorts.quarter)
    return Result(
        name="attention",
        title="What needs attention?",
        table=table,
        # A row that names an inserter stays in the clinic.
        private=audience == "clinic" and any(s.inserter_role is not None for s in signals),
        entries=[
            *(entry for one in signals for entry in _records(one)),
            *([] if signals else _seen_records(programme)),
            _false_record(programme),
        ],
        finding=_finding(programme, signals, quarter),
        plain=_plain(programme, signals, quarter),
        caption=(
            f"What broke a rule in {quarter}, in the fixed order of what is watched. A row is a "
            "question to look into; it is no verdict."
        ),
        footnotes=[
            f"False rows: in {false.years:,} simulated programme-years without any change, at "
            f"this clinic's volume, {number(false.total, 2)} rows a year appeared (95 % Monte "
            f"Carlo limits {number(false.low, 2)} to {number(false.high, 2)}); the plan allows "
            f"{programme.rules.false_rows_a_year:g}."
            + ("" if false.low <= programme.rules.false_rows_a_year else f" {_TOO_MANY}"),
            f"Each look at a count has an exact probability of a false row of at most "
            f"{programme.alpha:.4f}, the most that the allowance bears at this volume; only a "
            "change for the worse makes a row.",
            "A rule compares with the reference of the plan, which may itself be good or poor.",
        ],
        settings={
            "reference": span_words(programme.cohorts),
            "false rows allowed a year": f"{programme.rules.false_rows_a_year:g}",
            "run": f"{programme.rules.run_length} months",
            "gaps together": str(programme.rules.gaps_together),
        },
        summary=_summary(signals),
    )


def _plain(programme: Programme, signals: list[Signal], quarter: str) -> str:
    """Return the finding in everyday words."""
    if signals:
        things = "1 thing" if len(signals) == 1 else f"{len(signals)} things"
        return f"{things} should be looked at. Each is a question, and no verdict."
    if not programme.series:
        return ""
    return (
        f"Nothing that is watched broke a rule in {quarter}. That is no proof that all is well: in "
        "a small clinic only large changes would have shown."
    )


def _for_audience(programme: Programme, audience: str) -> list[Signal]:
    if audience == "clinic":
        return list(programme.signals)
    hidden = roles_to_hide(programme.inserters, programme.rules.fewest_per_role)
    shown = []
    for one in programme.signals:
        role = one.inserter_role
        if role is None:
            shown.append(one)
        elif role not in hidden:
            words = f"Failed procedures of an inserter ({role})"
            shown.append(replace(one, key=f"inserter, {role}", subject=words))
    return shown


def _summary(signals: list[Signal]) -> pd.DataFrame:
    rows = [
        {
            "What": one.subject,
            "Rule that fired": "; ".join(one.rules),
            "Numbers behind it": _numbers(one),
            "Look first at": one.look_at,
        }
        for one in signals
    ] or [dict.fromkeys(("What", "Rule that fired", "Numbers behind it", "Look first at"), "–")]
    if not signals:
        rows[0]["What"] = "Nothing broke a rule"
    return pd.DataFrame(rows)


def _numbers(one: Signal) -> str:
    size = number(one.size, 0 if one.size_name in ("procedures", "visits") else 1)
    words = (
        f"{number(one.observed, 0)} in {size} {one.size_name}, {number(one.expected, 1)} expected"
    )
    return words if one.tail is None else f"{words}; so many by chance: {_chance(one.tail)}"


def _chance(tail: float) -> str:
    return "under 1 in 10,000" if tail < 1e-4 else f"1 in {1 / tail:,.0f}"


def _finding(programme: Programme, signals: list[Signal], quarter: str) -> str:
    watched = [s for s in programme.series if s.reference is not None and not s.quarter.empty]
    if not watched:
        return f"Nothing could be watched in {quarter}; the table of what is watched says why."
    if signals:
        parts = [
            f"{one.subject} ({number(one.observed, 0)} where {number(one.expected, 1)} were "
            "expected)"
            for one in signals
        ]
        head = "1 thing needs" if len(signals) == 1 else f"{len(signals)} things need"
        return f"{head} attention in {quarter}: {'; '.join(parts)}."
    seen = [_would_see(programme, one) for one in watched]
    told = "; ".join([words for words in seen if words][:2])
    tail = f" With 80 % probability a row would have shown: {told}." if told else ""
    return f"None of {len(watched)} things watched broke a rule in {quarter}.{tail}"


def _would_see(programme: Programme, one: Series) -> str:
    level, lasting = programme.detectable(one), programme.detectable_if_lasting(one)
    if level is None or one.reference is None:
        return ""
    year = "" if lasting is None else f", {number(lasting * one.per, 1)} if it lasts twelve months"
    return (
        f"{one.title[0].lower()}{one.title[1:]} at {number(level * one.per, 1)} {one.unit} or "
        f"more{year} (reference {number(one.reference.estimate * one.per, 1)})"
    )


def _records(one: Signal) -> list[Record]:
    """What was seen and what was expected."""
    whole = one.size_name in ("procedures", "visits")
    seen = Record(
        outcome="watch", quantity=one.subject, population="quarter", by={"rule": one.rules[0]},
        estimate=one.observed, level=None, n_units=round(one.size) if whole else one.months,
        events=int(one.observed), exposure=one.size, unit="events", method="count",
    )  # fmt: skip
    words = f"{one.subject}, expected under the reference"
    return [seen, replace(seen, quantity=words, estimate=one.expected, method="reference x size")]


def _seen_records(programme: Programme) -> list[Record]:
    """The smallest level that each series would have shown, with its reference."""
    entries = []
    for one in programme.series:
        level = programme.detectable(one)
        if level is None or one.reference is None:
            continue
        seen = Record(
            outcome="watch", quantity=f"{one.title}, seen with 80 % probability",
            population="quarter", estimate=level * one.per, level=None,
            n_units=len(one.quarter), unit=one.unit, method="exact, by months and quarter",
        )  # fmt: skip
        reference = one.reference.estimate * one.per
        lasting = programme.detectable_if_lasting(one)
        if lasting is not None:
            entries.append(
                replace(
                    seen, quantity=f"{one.title}, seen with 80 % probability if it lasts a year",
                    estimate=lasting * one.per, method="exact, by twelve months",
                )
            )  # fmt: skip
        entries += [
            seen,
            replace(seen, quantity=f"{one.title}, reference", estimate=reference, method="plan"),
        ]
    return entries


def _false_record(programme: Programme) -> Record:
    false = programme.false_rows
    return Record(
        outcome="watch", quantity="false rows a programme-year", population="quarter",
        estimate=false.total, conf_low=false.low, conf_high=false.high, n_units=false.years,
        unit="rows a year", method="simulation without change, at the clinic's volume",
    )  # fmt: skip


def watched(programme: Programme) -> Result:
    """What is watched, against which reference, and which change would have been seen?

    Returns
    -------
    Result
        `.table` has one row per series: `subject`, `unit`, `reference`, `reference_from`,
        `events`, `size`, `size_name`, `expected`, `tail`, `limit` (events of the quarter from
        which it is a row), `detectable` (smallest level of the quarter that a limit would have
        shown with 80 % probability), `detectable_lasting` (the same of a level that lasts twelve
        months), `false_rows_a_year`, `note`.
    """
    rows = [_watched_row(programme, one) for one in programme.series]
    table = pd.DataFrame(rows)
    drawn = table.loc[table["limit"].notna()].reset_index(drop=True)
    lines = [
        f"{row.subject}: {row.events:.0f} of {row.limit:.0f} ({number(row.observed)} {row.unit})"
        for row in drawn.itertuples()
    ]
    return Result(
        name="watched",
        title="What is watched, and which change would have been seen?",
        table=table,
        entries=[_watched_record(row) for row in rows],
        finding=(
            f"{len(drawn)} of {len(table)} series could be watched in {programme.cohorts.quarter}."
        ),
        caption=(
            "Every series this quarter against its reference, and the smallest level that would "
            "have made a row with 80 % probability: by the limits of months and quarter, and by "
            "that of twelve months of it."
        ),
        footnotes=_notes(programme),
        summary=_watched_summary(rows),
        drawing=partial(_draw_watched, rows=drawn) if len(drawn) else None,
        alt=f"Events of the quarter against the count that makes a row. {'. '.join(lines)}.",
        height=1.0 + 0.42 * max(len(drawn), 1),
    )


def _watched_summary(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """One line a series; every column of the table lies in the CSV."""
    return pd.DataFrame(
        [
            {
                "Watched": f"{row['subject']}, {row['unit']}",
                "Reference": number(row["reference"], 2),
                "This quarter": _quarter_words(row),
                "A row from": "–" if row["limit"] is None else counted(row["limit"], "event"),
                "Seen with 80 % probability from": number(row["detectable"], 2),
                "If it lasts twelve months, from": number(row["detectable_lasting"], 2),
                "Note": row["note"],
            }
            for row in rows
        ]
    )


def _quarter_words(row: dict[str, Any]) -> str:
    if row["observed"] is None:
        return "–"
    size = number(row["size"], 0 if row["size_name"] in ("procedures", "visits") else 1)
    name = row["size_name"].removesuffix("s") if size == "1" else row["size_name"]
    return (
        f"{number(row['observed'], 2)} ({row['events']:.0f} in {size} {name}; "
        f"{number(row['expected'])} expected)"
    )


def _watched_row(programme: Programme, one: Series) -> dict[str, Any]:
    row: dict[str, Any] = {
        "key": one.key, "subject": one.title, "unit": one.unit, "reference": None,
        "reference_from": None, "observed": None, "events": None, "size": None,
        "size_name": one.size_name, "expected": None, "tail": None, "limit": None,
        "detectable": None, "detectable_lasting": None, "false_rows_a_year": None,
        "n_units": len(one.quarter), "note": one.note,
    }  # fmt: skip
    if one.reference is None:
        return row
    simulated = programme.false_rows.table.set_index("subject")["rows_a_year"]
    row["false_rows_a_year"] = float(simulated[one.title])
    row["reference"] = one.reference.estimate * one.per
    row["reference_from"] = _reference_words(one)
    quarter = one.quarter
    size, events = float(quarter["size"].sum()), float(quarter["events"].sum())
    row |= {"events": events, "size": size}
    if one.kind == "share":
        row["n_units"] = round(size)
    if not size > 0:
        return row | {"note": "not watched: no exposure in this quarter"}
    level, lasting = programme.detectable(one), programme.detectable_if_lasting(one)
    limit = signal_from(size, one.reference, alpha=programme.alpha)
    notes = ["gaps are read too" if one.rare else ""]
    notes.append("too few for any count to make a row" if limit is None else "")
    return row | {
        "observed": events / size * one.per,
        "expected": one.reference.estimate * size,
        "tail": float(upper_tail(events, size, one.reference)),
        "limit": limit,
        "detectable": None if level is None else level * one.per,
        "detectable_lasting": None if lasting is None else lasting * one.per,
        "note": "; ".join(note for note in notes if note),
    }


def _reference_words(one: Series) -> str:
    assert one.reference is not None
    if one.reference.level is not None:
        return "declared in the plan"
    return f"{one.reference.events:.0f} in {one.reference.size:.1f} {one.size_name}"


def _watched_record(row: dict[str, Any]) -> Record:
    found = row["observed"]
    return Record(
        outcome="watch", quantity=row["subject"], population="quarter", estimate=found,
        by={"reference": number(row["reference"], 4), "seen_with_80": number(row["detectable"], 4)},
        level=None, events=None if row["events"] is None else int(row["events"]),
        n_units=row["n_units"], exposure=row["size"],
        unit=row["unit"], method="exact upper tail against the reference",
        note=row["note"] or (None if found is not None else "not estimable: no exposure"),
    )  # fmt: skip


def _notes(programme: Programme) -> list[str]:
    return [
        f"Reference: {span_words(programme.cohorts)}, or what the plan declares; it never moves. "
        "Where it comes from months, its own uncertainty is in every limit.",
        "A month is judged when what belongs to it can be complete: for harm of procedures, when "
        f"{programme.cohorts.plan.complications.procedure_days} days after its end are over.",
        "Harm of wear counts a patient once a month, since harms of one month are often one "
        "matter. What is recorded late makes recent months look better than they are.",
        "The risk of loss grows with a sensor's age: a programme whose sensors were young in the "
        "reference sees more losses later without any change. Look at sensor survival first.",
    ]


def _draw_watched(ax: Axes, *, rows: pd.DataFrame) -> None:
    """Events as a share of the count that makes a row: one common scale for all series."""
    order = rows.iloc[::-1].reset_index(drop=True)
    for place, row in enumerate(order.to_dict("records")):
        limit = float(row["limit"])
        share, expected = float(row["events"]) / limit, float(row["expected"]) / limit
        colour = ACCENT if share >= 1 else INK
        ax.plot([0, share], [place, place], color=colour, linewidth=2.5, solid_capstyle="butt")
        ax.plot(share, place, SIGNAL_MARKER if share >= 1 else "o", color=colour, markersize=6)
        ax.plot(expected, place, "|", color=FAINT, markersize=14, markeredgewidth=2)
        ax.annotate(
            f"{row['events']:.0f} (row from {limit:.0f})", (max(share, expected, 1.0), place),
            fontweight="bold" if share >= 1 else "normal",
            xytext=(8, 0), textcoords="offset points", va="center", fontsize="small",
        )  # fmt: skip
    ax.axvline(1, color=INK, linewidth=1, linestyle="--")
    ax.set_yticks(np.arange(len(order)), [_wrapped(text) for text in order["subject"]])
    ax.set_ylim(-0.6, len(order) - 0.4)
    ax.set_xlabel("share of the count that makes a row (grey tick: expected)")
    fix_scale(ax, "x", Scale(0, 1, 1), order["events"] / order["limit"], room=(0.0, 0.45))


def _wrapped(text: str) -> str:
    words, lines = text.split(), [""]
    for word in words:
        if len(lines[-1]) + len(word) > 34:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)
