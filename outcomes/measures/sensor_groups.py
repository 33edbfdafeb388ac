"""By what sensors are told apart: model, lot, site, year of placement, planned life."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import pandas as pd

from outcomes.cohorts.flow import NOT_RECORDED
from outcomes.cohorts.states import state_on
from outcomes.tables.declared import STATE_SITE

PLANNED_LIFE: Final = "planned_days"
GROUPINGS: Final = ("model", "lot", "site", "year", "body_site", PLANNED_LIFE)
WHOLE: Final = "all"


def with_groups(ends: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return sensors with `site` (where they were placed) and `year` (of placement) added.

    The site is that of the completed placement, else that of any attempt at it, else the
    patient's own on the day of the placement; adhesive sensors have only the last.

    Parameters
    ----------
    ends : DataFrame, one row per sensor
        `sensor_id`, `patient_id`, `placed_on`.
    tables : mapping of name to DataFrame
        `procedures` and `states` as declared, up to the cut-off.
    """
    done = tables["procedures"]
    placed = done.loc[(done["what"] == "placement") & done["site"].notna()]
    order = placed.assign(completed=placed["completed"].fillna(False).astype(bool)).sort_values(
        ["completed", "attempt"], kind="stable"
    )
    at = order.drop_duplicates("sensor_id", keep="last").set_index("sensor_id")["site"]
    own = state_on(tables["states"], what=STATE_SITE, at=ends, day="placed_on")
    site = ends["sensor_id"].map(at).astype(object)
    return ends.assign(
        site=site.where(site.notna(), own), year=ends["placed_on"].dt.year.astype("Int64")
    )


def groups(lives: pd.DataFrame, by: str | None) -> list[tuple[str, pd.DataFrame]]:
    """Return the whole, then each group; several planned lives always stand apart in days too.

    Parameters
    ----------
    lives : DataFrame, one row per sensor
    by : one of `GROUPINGS`, optional
    """
    whole = [(WHOLE, lives)]
    if by is None and lives[PLANNED_LIFE].nunique() < 2:
        return whole
    column = by or PLANNED_LIFE
    level = lives[column].astype(object).where(lives[column].notna(), NOT_RECORDED).map(str)
    names = sorted(set(level), key=lambda name: (name == NOT_RECORDED, len(name), name))
    return whole + [(group_name(column, name), lives.loc[level == name]) for name in names]


def group_name(column: str, level: str) -> str:
    """Return the words for a group.

    Examples
    --------
    >>> group_name("planned_days", "180"), group_name("model", "A")
    ('planned for 180 days', 'A')
    """
    return f"planned for {level} days" if column == PLANNED_LIFE else level
