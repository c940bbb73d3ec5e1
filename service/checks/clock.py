"""Times and spans as people read them: on the facility's clock, with the offset beside it."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import lru_cache
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta

from service.checks.job import Job
from service.entries.words import Duration


def clock(job: Job, at: datetime) -> str:
    """``08:55:10+01:00``; with the day where that is not the day on which the rebuild was opened."""
    local = _local(at, job.zone)
    return local[11:] if job.begun_on and local.startswith(job.begun_on) else local


@lru_cache(4096)
def _local(at: datetime, zone: ZoneInfo) -> str:
    return at.astimezone(zone).isoformat(sep=" ")


@lru_cache(4096)
def span(duration: Duration) -> timedelta:
    """The days and the clock part of a duration."""
    return timedelta(days=duration.days, seconds=duration.seconds)


@lru_cache(4096)
def later(day: date, duration: Duration) -> date:
    """The day so long after another: months first, clamped to the month's last day, then days; never chained."""
    return day + relativedelta(months=duration.months, days=duration.days)


@lru_cache(4096)
def lapse(between: timedelta) -> str:
    """``9 min 50 s``: the units of a clock, empty ones left out."""
    minutes, seconds = divmod(Decimal(between // timedelta(microseconds=1)) / 1_000_000, 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    amounts = ((days, "d"), (hours, "h"), (minutes, "min"), (seconds.normalize(), "s"))
    return " ".join(f"{amount:f} {unit}" for amount, unit in amounts if amount) or "0 s"
