"""How completely harm is captured: fields, delays, classes, reports, and an audit of charts."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harm_tables import harm_tables
from outcomes.plan.beside import AUDIT_FILE, read_audit
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.intervals import proportion
from outcomes.tables.harm_terms import CLASSES, event_class
from outcomes.units import counted

# A field that says "unknown" says nothing.
FIELDS: Final = (
    *("category", "onset_on", "severity", "serious", "related_to_device"),
    *("related_to_procedure", "outcome", "action", "reported", "recorded_on"),
)
NO_TABLE: Final = "not estimable: the study has no complications table"


def harm_capture(cohorts: CohortSet, *, beside: str | Path | None = None) -> Result:
    """Can the counts of harm be trusted: are they complete, in time, and do charts agree?

    Parameters
    ----------
    cohorts : CohortSet
    beside : path, optional
        The plan, or any file or folder beside which `chart_audit.csv` may lie: one row per chart
        that somebody read, with `patient_id`, `from_on`, `to_on` and `harms` (how many the chart
        tells of in these days, 0 too).

    Returns
    -------
    Result
        `.table`: `quantity`, `estimate`, `conf_low`, `conf_high`, `unit`, `events`, `n`,
        `method`, `note`. Shares by Wilson's interval: complications with every field, and each
        field; recorded late; classes by the device-study standard; serious related ones not
        marked as reported; charts whose count agrees with the export, and harms of the charts
        that the export has.

    Raises
    ------
    SettingsError
        The audit cannot be read; the message names line and column.
    """
    found = harm_tables(cohorts).found
    rows = [
        *_field_rows(found),
        *_late_rows(found, cohorts.plan.complications.late_days),
        *_class_rows(found, cohorts.plan.complications.foreseen_categories),
        _unreported(found),
    ]
    if not cohorts.has("complications"):
        blank = dict.fromkeys(("estimate", "conf_low", "conf_high", "events", "n"))
        rows = [row | blank | {"note": NO_TABLE} for row in rows]
    rows += _audit_rows(cohorts, found, _audit_path(beside))
    table = pd.DataFrame(rows).astype({"events": "Int64", "n": "Int64"})
    unmarked = rows[[row["quantity"] for row in rows].index(_UNREPORTED)]
    return Result(
        name="harm_capture",
        title="Can the counts of harm be trusted?",
        table=table,
        entries=[_record(row) for row in table.to_dict("records")],
        finding=_finding(table, has_table=cohorts.has("complications")),
        plain=_plain(table, has_table=cohorts.has("complications")),
        caption=(
            f"Complications and device deficiencies up to {cohorts.cut_off}: completeness, delay, "
            "classes of the device-study standard (ISO 14155), and audit. Wilson intervals."
        ),
        footnotes=[
            f"Caution: serious events related to a device or its procedure may have to be "
            "reported to authorities and manufacturers under local rules. This toolkit does not "
            f"report them; {_told(unmarked)}",
            "A field counts as filled when it says something; unknown says nothing. Late: recorded "
            f"more than {cohorts.plan.complications.late_days} days after the onset.",
            "Classes: whether a serious effect was foreseen is known only for categories that the "
            "plan names from the risk files.",
        ],
        summary=_summary(table),
        show={
            "quantity": Show("Quantity"), "events": Show("Events", 0), "n": Show("Of (n)", 0),
            "estimate": Show("Estimate", 1), "conf_low": Show("95 % low", 1),
            "conf_high": Show("95 % high", 1), "unit": Show("Unit"), "note": Show("Note"),
        },
    )  # fmt: skip


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line a share; fields that are always filled share one line."""
    rows = table.to_dict("records")
    full = [
        row["quantity"].removeprefix("with ")
        for row in rows
        if row["quantity"].startswith("with ") and row["events"] == row["n"]
    ]
    lines = [
        {"What": row["quantity"], "Found": _cell(row)}
        for row in rows
        if row["quantity"].removeprefix("with ") not in full
    ]
    if full:
        lines.append({"What": "fields that every complication has", "Found": ", ".join(full)})
    return pd.DataFrame(lines)


def _cell(row: dict[str, Any]) -> str:
    if pd.isna(row["estimate"]):
        return str(row["note"])
    if pd.isna(row["events"]):
        return f"{number(row['estimate'])} {row['unit']} (n = {row['n']})"
    limits = interval(row["conf_low"], row["conf_high"])
    note = f"; {row['note']}" if row["note"] else ""
    return (
        f"{number(row['estimate'])} {row['unit']} ({limits}; {row['events']} of {row['n']}{note})"
    )


_UNREPORTED: Final = "serious and related, not marked as reported"
_EVERY: Final = "with every field"


def _told(row: dict[str, Any]) -> str:
    if row["n"] is None:
        return "without a table of complications nothing is known of them."
    return f"of {counted(row['n'], 'such event')}, not marked as reported: {row['events']}."


def _share(quantity: str, events: int, n: int, **more: Any) -> dict[str, Any]:
    one = proportion(events, n)
    scaled = {
        name: None if value is None else 100 * value
        for name, value in (
            ("estimate", one.estimate), ("conf_low", one.conf_low), ("conf_high", one.conf_high),
        )
    }  # fmt: skip
    return {
        "quantity": quantity, **scaled, "unit": "% of complications", "events": events, "n": n,
        "method": one.method, "note": one.note,
    } | more  # fmt: skip


def _field_rows(found: pd.DataFrame) -> list[dict[str, Any]]:
    filled = pd.DataFrame(
        {name: found[name].notna() & found[name].astype(object).ne("unknown") for name in FIELDS}
    )
    every = _share(_EVERY, int(filled.all(axis=1).sum()), len(found))
    return [
        every,
        *(_share(f"with {name.replace('_', ' ')}", int(filled[name].sum()), len(found))
          for name in FIELDS),
    ]  # fmt: skip


def _late_rows(found: pd.DataFrame, late_days: int) -> list[dict[str, Any]]:
    dated = found.loc[found["recorded_on"].notna()]
    delay = (dated["recorded_on"] - dated["onset_on"]).dt.days
    late = _share(
        f"recorded more than {late_days} days after the onset", int((delay > late_days).sum()),
        len(dated), unit="% of those with recorded on",
    )  # fmt: skip
    median = None if dated.empty else float(delay.median())
    return [
        late,
        {
            "quantity": "median delay from onset to record", "estimate": median,
            "conf_low": None, "conf_high": None, "unit": "days", "events": None, "n": len(dated),
            "method": "median", "note": "" if len(dated) else "not estimable: no day of record",
        },
    ]  # fmt: skip


def _class_rows(found: pd.DataFrame, foreseen: tuple[str, ...]) -> list[dict[str, Any]]:
    # Without anything declared nobody knows what was foreseen.
    known = list(found["category"].isin(foreseen)) if foreseen else [None] * len(found)
    classes = [
        event_class(
            related=bool(related), serious=bool(serious), deficiency_only=bool(only),
            foreseen=None if is_known is None else bool(is_known),
        )
        for related, serious, only, is_known in zip(
            found["related"], found["serious"].fillna(False),
            found["deficiency_only"].fillna(False), known, strict=True,
        )
    ]  # fmt: skip
    count = pd.Series(classes, dtype=object).value_counts()
    return [
        _share(f"{name}: {words}", int(count.get(name, 0)), len(found))
        for name, words in CLASSES.items()
        if foreseen or name not in ("USADE", "ASADE")
    ]


def _unreported(found: pd.DataFrame) -> dict[str, Any]:
    harm = found.loc[~found["deficiency_only"].fillna(False).astype(bool)]
    serious = harm.loc[harm["serious"].fillna(False).astype(bool) & harm["related"]]
    unmarked = int((~serious["reported"].fillna(False).astype(bool)).sum())
    return _share(_UNREPORTED, unmarked, len(serious), unit="% of serious related")


def _audit_path(beside: str | Path | None) -> Path | None:
    if beside is None:
        return None
    place = Path(beside)
    path = (place if place.is_dir() else place.parent) / AUDIT_FILE
    return path if path.exists() else None


def _audit_rows(cohorts: CohortSet, found: pd.DataFrame, path: Path | None) -> list[dict[str, Any]]:
    agree, kept = "charts whose count of harm agrees", "harms of the charts that the export has"
    if path is None:
        why = f"not estimable: no {AUDIT_FILE} beside the plan"
        blank = {"conf_low": None, "conf_high": None, "events": None, "n": None, "method": "Wilson"}
        return [
            {"quantity": name, "estimate": None, "unit": unit, "note": why} | blank
            for name, unit in ((agree, "% of charts"), (kept, "% of harms in charts"))
        ]
    audit = read_audit(path)
    known = set(cohorts.table("patients")["patient_id"])
    strangers = int((~audit["patient_id"].isin(known)).sum())
    mine = audit.loc[audit["patient_id"].isin(known)]
    harm = found.loc[~found["deficiency_only"].fillna(False).astype(bool)]
    exported = np.array(
        [
            int(((harm["patient_id"] == row.patient_id)
                 & harm["onset_on"].between(row.from_on, row.to_on)).sum())
            for row in mine.itertuples()
        ],
        dtype=int,
    )  # fmt: skip
    charted = mine["harms"].to_numpy(int)
    note = f"{strangers} charts of unknown patients left out" if strangers else ""
    both = np.minimum(exported, charted)
    first = _share(agree, int((exported == charted).sum()), len(mine), unit="% of charts")
    second = _share(kept, int(both.sum()), int(charted.sum()), unit="% of harms in charts")
    return [row | {"note": "; ".join(n for n in (row["note"], note) if n)}
            for row in (first, second)]  # fmt: skip


def _finding(table: pd.DataFrame, *, has_table: bool) -> str:
    if not has_table:
        return "Nothing is known of the capture of harm: the study has no complications table."
    rows = table.set_index("quantity")
    every, unmarked = rows.loc[_EVERY], rows.loc[_UNREPORTED]
    if not every["n"]:
        return "No complication is recorded; whether none happened, these data cannot tell."
    return (
        f"Every field is filled in {every['events']} of {counted(every['n'], 'complication')} "
        f"({number(every['estimate'])} %, 95 % interval "
        f"{interval(every['conf_low'], every['conf_high'])}); {unmarked['events']} of "
        f"{unmarked['n']} serious related ones are not marked as reported."
    )


def _plain(table: pd.DataFrame, *, has_table: bool) -> str:
    """The same for a committee; empty where the finding is plain already."""
    rows = table.set_index("quantity")
    if not has_table or not rows.loc[_EVERY, "n"]:
        return ""
    every, unmarked = rows.loc[_EVERY], rows.loc[_UNREPORTED]
    recorded = counted(every["n"], "recorded complication")
    told = f"Of {recorded}, written down in full: {every['events']}."
    if unmarked["n"]:
        told += (
            f" Of {counted(unmarked['n'], 'serious one')} that may come from a sensor or a "
            f"procedure, not marked as told to the authorities or the maker: {unmarked['events']}; "
            "whether they must be told is a matter of local rules."
        )
    return f"{told} What nobody told or wrote down is in no count."


def _record(row: dict[str, Any]) -> Record:
    plain: dict[str, Any] = {name: None if pd.isna(v) else v for name, v in row.items()}
    return Record(
        outcome="complications", quantity=plain["quantity"], population="cumulative",
        estimate=plain["estimate"], conf_low=plain["conf_low"], conf_high=plain["conf_high"],
        events=plain["events"], n_units=plain["n"], unit=plain["unit"], method=plain["method"],
        note=plain["note"] or None,
    )  # fmt: skip
