"""Round instants for an axis of time, from seconds to years, all UTC."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

_STEPS_S = (1, 5, 15, 30, 60, 300, 900, 1800, 3600, 3 * 3600, 6 * 3600, 12 * 3600)
_DAYS = (1, 2, 7, 14)
_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120)
_FIRST_MONDAY = datetime(1970, 1, 5, tzinfo=UTC)
"""From which steps of days are counted, so that weeks begin on a Monday."""

_DAY_S = 86400.0
_MONTH_S = 30.4 * _DAY_S


def date_marks(low_s: float, high_s: float, *, about: int) -> tuple[tuple[float, str], ...]:
    """Some `about` round instants in [low_s, high_s], seconds since 1970, each with its words (ISO 8601).

    Steps below a day are told by their time alone; see `time_title`.
    """
    room_s = (high_s - low_s) / about
    for step_s in _STEPS_S:
        if step_s >= room_s:
            words = "%H:%M:%S" if step_s < 60 else "%H:%M"
            return _told(_every(low_s, high_s, timedelta(seconds=step_s)), words, low_s)
    for days in _DAYS:
        if days * _DAY_S >= room_s:
            return _told(_every(low_s, high_s, timedelta(days=days)), "%Y-%m-%d", low_s)
    months = next((months for months in _MONTHS if months * _MONTH_S >= room_s), _MONTHS[-1])
    return _told(_every_months(low_s, high_s, months), "%Y-%m" if months < 12 else "%Y", low_s)


def time_title(low_s: float, high_s: float, *, about: int) -> str:
    """What an axis of these marks is called: with its day or days, where the marks tell times alone."""
    if (high_s - low_s) / about > _STEPS_S[-1]:
        return "date, UTC"
    first, last = (f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}" for at in (low_s, high_s))
    return f"time on {first}, UTC" if first == last else f"time from {first} to {last}, UTC"


def _every(low_s: float, high_s: float, step: timedelta) -> Iterator[datetime]:
    low = datetime.fromtimestamp(low_s, UTC)
    at = _FIRST_MONDAY + (low - _FIRST_MONDAY) // step * step
    while at.timestamp() <= high_s:
        yield at
        at += step


def _every_months(low_s: float, high_s: float, months: int) -> Iterator[datetime]:
    low = datetime.fromtimestamp(low_s, UTC)
    number = (low.year * 12 + low.month - 1) // months * months
    while (at := datetime(number // 12, number % 12 + 1, 1, tzinfo=UTC)).timestamp() <= high_s:
        yield at
        number += months


def _told(instants: Iterator[datetime], words: str, low_s: float) -> tuple[tuple[float, str], ...]:
    return tuple((at.timestamp(), at.strftime(words)) for at in instants if at.timestamp() >= low_s)
