"""What each audience may see: the clinic, its quality committee, or anybody outside.

*clinic*: everything; single people are named in the clinic's own lists only. *committee*: nothing
that names or shows single people. *external*: a few headline figures; a count of 1 to 10, and
whatever would reveal one, is hidden together with its estimate, its interval, its curve and its
fields in the data files, and told in words only.

Counts of 1 to 10 are those that the United States' Centers for Medicare and Medicaid Services do
not allow to be shown or derived (cell size suppression policy, 2024); 0 may be shown.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import pandas as pd

from outcomes.errors import UsageError, known_names
from outcomes.results import Record, Result, interval, number

AUDIENCES: Final = ("clinic", "committee", "external")
SMALLEST_SHOWN: Final = 11  # a count below this, and above 0, is hidden from outside
HIDDEN: Final = "hidden: fewer than 11 people or events, or a figure that would reveal them"

# The figures that leave the clinic, with their decimals. Few on purpose: every further one is a
# relation from which a hidden count could be worked out.
LEAVING: Final[dict[tuple[str, str, str], int]] = {
    ("hba1c_change", "mean change, those with both draws", "percentage points"): 1,
    ("time_in_range", "share 70-180", "% of time"): 0,
    ("time_in_range", "share below 70", "% of time"): 1,
    ("sensor_survival", "reached planned removal", "of 100 sensors placed"): 0,
    ("sensor_survival", "lost before the planned day", "of 100 sensors placed"): 0,
    ("sensor_survival", "taken out early", "of 100 sensors placed"): 0,
    ("complications", "harm within 30 days, attempted placements", "% of procedures"): 0,
    ("complications", "harm of wear, first events", "per 100 patient-years"): 0,
}
# Figures whose parts add up to a whole: with one hidden, a second must be.
PARTS: Final[dict[str, tuple[str, ...]]] = {
    "sensor_survival": (
        "reached planned removal",
        "lost before the planned day",
        "taken out early",
        "patient died",
        "end not known",
    ),
}
OPEN: Final = ("provenance", "plan")  # results about the report itself hold no patient's data
# One question asked in several ways invites a choice of answers: for researchers alone.
FOR_RESEARCHERS: Final = ("comparison_doubts", "comparison_subgroups")
PLAIN_GROUPS: Final[tuple[Mapping[str, str], ...]] = (
    {},
    {"stratum": "new"},
    {"counted": "all reported"},
)

Key = tuple[str, str, str | None, str | None]


@dataclass(frozen=True)
class Audience:
    """Shows results to one audience; `audience(...)` makes it.

    Call it with a result to get what that audience may see of it.
    """

    name: str
    earlier: Mapping[Key, tuple[int | None, int | None, int | None]] = field(default_factory=dict)

    def __call__(self, result: Result) -> Result:
        """Return what this audience may see of `result`."""
        if self.name == "clinic":
            return result
        if result.private:
            return _withheld(result, self.name, "shows single people and stays in the clinic")
        if result.name in FOR_RESEARCHERS:
            why = "asks one question in several ways and is for researchers"
            return _withheld(result, self.name, why)
        if self.name == "committee":
            return replace(result, audience=self.name)
        return self._outside(result)

    def _outside(self, result: Result) -> Result:
        if result.name in OPEN:
            return replace(result, audience=self.name)
        shown = [self._judged(entry) for entry in leaving(result.entries)]
        shown = with_seconds_hidden(shown, leaving_parts(result.entries))
        if not shown:
            return _withheld(result, self.name, "is not part of what leaves the clinic")
        table = pd.DataFrame([_row(entry) for entry in shown])
        return Result(
            name=result.name,
            title=result.title,
            table=table,
            entries=shown,
            finding=" ".join(_sentence(entry) for entry in shown[:2]),
            caption=f"{result.title} Figures resting on fewer than {SMALLEST_SHOWN} people or "
            "events, and figures that would reveal them, are hidden.",
            audience=self.name,
        )

    def _judged(self, entry: Record) -> Record:
        return rounded(entry) if self._may_leave(entry) else hidden(entry)

    def _may_leave(self, entry: Record) -> bool:
        if entry.estimate is None or any(small(count) for count in counts_within(entry)):
            return False
        before = self.earlier.get(key_of(entry))
        now = (entry.n_patients, entry.n_units, entry.events)
        # What was added since the earlier page is a count of its own.
        return before is None or not any(
            small(abs(new - old))
            for new, old in zip(now, before, strict=True)
            if new is not None and old is not None
        )


def audience(name: str, *, previous: str | Path | None = None) -> Audience:
    """Return what shows results to the audience called `name`.

    Parameters
    ----------
    name : str
        "clinic", "committee" or "external".
    previous : path or None
        For "external": folder of the earlier external page, so that no count follows from the
        difference of the two.
    """
    if name not in AUDIENCES:
        raise UsageError(known_names("audience", name, AUDIENCES))
    if name != "external" or not previous:
        return Audience(name)
    try:
        stored = json.loads((Path(previous) / "results.json").read_text("utf-8"))
        records = stored["results"]
        if stored["made"]["audience"] != "external":
            raise ValueError
    except (OSError, ValueError, KeyError) as error:
        raise UsageError(
            f"{Path(previous).name}: not the folder of an earlier external page."
        ) from error
    return Audience(
        name,
        {
            (r["outcome"], r["quantity"], r["cohort"], r["at"]): (
                r["n_patients"],
                r["n_units"],
                r["events"],
            )
            for r in records
            if r["estimate"] is not None
        },
    )


def small(count: float | None) -> bool:
    """Return whether a count has to be hidden from outside."""
    return count is not None and 0 < count < SMALLEST_SHOWN


def counts_within(entry: Record) -> list[float | None]:
    """Return every count that a record states or gives away: also those left over."""
    patients, units, events = entry.n_patients, entry.n_units, entry.events
    left_over = [
        whole - part
        for whole, part in ((units, events), (units, patients), (patients, events))
        if whole is not None and part is not None and whole > part
    ]
    return [patients, units, events, *left_over]


def key_of(entry: Record) -> Key:
    """Return what tells one leaving figure from another."""
    return (entry.outcome, entry.quantity, entry.cohort, entry.at)


def leaving(entries: Iterable[Record]) -> list[Record]:
    """Return the headline figures among `entries`: cumulative, by cohort, nothing finer."""
    return [
        entry
        for entry in entries
        if (entry.outcome, entry.quantity, entry.unit) in LEAVING
        and entry.population == "cumulative"
        and entry.cohort is not None
        and dict(entry.by) in map(dict, PLAIN_GROUPS)
    ]


def leaving_parts(entries: Iterable[Record]) -> dict[Key, Sequence[Record]]:
    """Return, for each whole, the records of all its parts, shown or not."""
    wholes: dict[Key, list[Record]] = {}
    for entry in entries:
        named = PARTS.get(entry.outcome, ())
        plain = entry.population == "cumulative" and not entry.by
        if entry.quantity in named and plain and entry.cohort is not None:
            wholes.setdefault((entry.outcome, "", entry.cohort, entry.at), []).append(entry)
    return dict(wholes)


def with_seconds_hidden(
    shown: Sequence[Record], wholes: Mapping[Key, Sequence[Record]]
) -> list[Record]:
    """Hide further parts of a whole until what is hidden of it is 0 or at least two parts and 11.

    With all parts but one shown, the last follows by subtraction.
    """
    result = list(shown)
    for (outcome, _, cohort, at), parts in wholes.items():
        own = [
            i
            for i, entry in enumerate(result)
            if (entry.outcome, entry.cohort, entry.at) == (outcome, cohort, at)
            and entry.quantity in PARTS[outcome]
        ]
        while True:
            open_ = {result[i].quantity for i in own if result[i].estimate is not None}
            unseen = [part for part in parts if part.quantity not in open_]
            events = sum(part.events or 0 for part in unseen)
            occurring = [part for part in unseen if part.events]
            if not open_ or not occurring or (len(occurring) > 1 and events >= SMALLEST_SHOWN):
                break
            smallest = min(
                (i for i in own if result[i].estimate is not None),
                key=lambda i: result[i].events or 0,
            )
            result[smallest] = hidden(result[smallest])
    return result


def hidden(entry: Record) -> Record:
    """Return the record with everything that tells its size taken out."""
    return replace(
        entry,
        estimate=None,
        conf_low=None,
        conf_high=None,
        n_patients=None,
        n_units=None,
        events=None,
        exposure=None,
        note=HIDDEN,
    )


def rounded(entry: Record) -> Record:
    """Return the record at the precision of the page, which is all that leaves the clinic."""
    decimals = LEAVING[entry.outcome, entry.quantity, entry.unit]

    def cut(value: float | None) -> float | None:
        return None if value is None else round(value, decimals)

    return replace(
        entry,
        estimate=cut(entry.estimate),
        conf_low=cut(entry.conf_low),
        conf_high=cut(entry.conf_high),
        exposure=None,
    )


def _row(entry: Record) -> dict[str, str]:
    decimals = LEAVING[entry.outcome, entry.quantity, entry.unit]
    told = HIDDEN
    if entry.estimate is not None:
        limits = interval(entry.conf_low, entry.conf_high, decimals)
        told = f"{number(entry.estimate, decimals)} ({limits})"
    people = "fewer than 11, or hidden" if entry.n_patients is None else str(entry.n_patients)
    return {
        "Figure": ", ".join(filter(None, (entry.quantity, entry.at))),
        "Cohort": entry.cohort or "",
        "Estimate (95 % interval)": told,
        "Unit": entry.unit,
        "Patients": people,
    }


def _sentence(entry: Record) -> str:
    row = _row(entry)
    return f"{row['Cohort'].capitalize()}, {row['Figure']}: {row['Estimate (95 % interval)']}."


def _withheld(result: Result, audience: str, why: str) -> Result:
    sentence = f"“{result.title}” {why}."
    return Result(
        name=result.name,
        title=result.title,
        table=pd.DataFrame(),
        entries=(),
        finding=sentence,
        caption=result.title,
        audience=audience,
    )
