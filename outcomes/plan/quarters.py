"""Calendar quarters and the spans of days that a report speaks of."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from outcomes.errors import UsageError


@dataclass(frozen=True)
class Span:
    """Days from `first_on` to `last_on`, both included."""

    first_on: date
    last_on: date

    @property
    def days(self) -> int:
        """Number of days in the span."""
        return (self.last_on - self.first_on).days + 1

    def __str__(self) -> str:
        return f"{self.first_on.isoformat()} to {self.last_on.isoformat()}"


@dataclass(frozen=True, order=True)
class Quarter:
    """A calendar quarter.

    Examples
    --------
    >>> quarter = Quarter.parse("2026-Q3")
    >>> str(quarter), quarter.last_on.isoformat(), str(quarter.previous())
    ('2026-Q3', '2026-09-30', '2026-Q2')
    """

    year: int
    number: int

    @classmethod
    def parse(cls, text: str) -> Quarter:
        """Return the quarter written as `2026-Q3`; raise `UsageError` for anything else."""
        match = re.fullmatch(r"(\d{4})-Q([1-4])", text.strip())
        if not match:
            raise UsageError(f"quarter '{text}': not a quarter. Write it as 2026-Q3.")
        return cls(int(match[1]), int(match[2]))

    @classmethod
    def of(cls, day: date) -> Quarter:
        """Return the quarter in which `day` lies."""
        return cls(day.year, (day.month + 2) // 3)

    @property
    def first_on(self) -> date:
        """First day of the quarter."""
        return date(self.year, 3 * self.number - 2, 1)

    @property
    def last_on(self) -> date:
        """Last day of the quarter."""
        return self.next().first_on - timedelta(days=1)

    def next(self) -> Quarter:
        """Return the quarter after this one."""
        return Quarter(self.year + self.number // 4, self.number % 4 + 1)

    def previous(self) -> Quarter:
        """Return the quarter before this one."""
        return Quarter.of(self.first_on - timedelta(days=1))

    def cut_off(self, lag_days: int = 0) -> date:
        """Return the last day that data count: the quarter's end less `lag_days`."""
        return self.last_on - timedelta(days=lag_days)

    def span(self, lag_days: int = 0) -> Span:
        """Return the days of *this quarter*: from the day after the previous cut-off."""
        first = self.previous().cut_off(lag_days) + timedelta(days=1)
        return Span(first, self.cut_off(lag_days))

    def __str__(self) -> str:
        return f"{self.year}-Q{self.number}"
