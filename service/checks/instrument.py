"""Every instrument used was in calibration on the day, unharmed since, in its range, and of the right kind and class.

day ≤ min(day of the certificate + interval, valid until)      calendar days, clamped to the month's last day
    the certificate is the last one on or before the day; the interval is the register's, for a torque tool without one
    12 months (ISO 6789-1:2017, from memory). Dropped, overloaded or repaired after it, an instrument wants a new one.
min ≤ x ≤ max for all it read; a range begins at the lowest value marked (ISO 6789-1:2017). At its zero a gauge rests.
|e| ≤ a, the largest deviation its class permits: torque tools ± 4 or 6 % (``service.checks.torque_tool``), gauges per
    cent of span as registered; e the error as left by the certificate.
Which instruments have to be named, and what follows from an event: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from functools import partial
from operator import attrgetter
from typing import NamedTuple

from service.checks.clock import clock, later
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding, say
from service.checks.instrument_use import Used, uses
from service.checks.job import InstrumentRecord, Job
from service.checks.torque_tool import class_limit_percent, span
from service.entries.instrument import InstrumentCalibrated, PressureGauge, TorqueTool
from service.entries.judgement import Verdict
from service.entries.quantity import Pressure, Quantity, figures
from service.entries.words import Duration

NAME = "instrument"
SOURCE = (
    f"interval: the register, else ISO 6789-1:2017; class: ISO 6789-1:2017 ({FROM_MEMORY}); rule: {COMMON_PRACTICE}"
)
_said = partial(say, NAME, SOURCE)
_A_YEAR = Duration("P12M")
_RECALIBRATE = (
    "Have it calibrated, and do again with another what was done with it; or record the certificate there is."
)


class _Fault(NamedTuple):
    """What speaks against an instrument, and what would settle it."""

    verdict: Verdict
    why: str
    advice: str


def check(job: Job) -> Iterator[Finding]:
    """One finding for each instrument used, and one for what had to be measured with one and names none."""
    used = uses(job)
    nameless = used.pop("", None)
    if not used and nameless is None:
        says = "No instrument is named in any entry."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
    for name in sorted(used):
        yield _instrument(job, name, used[name])
    if nameless is not None:
        what = [one for listed in nameless.what.values() for one in listed]
        says = f"No instrument is named for {', '.join(dict.fromkeys(what))}."
        advice = "Correct the entries: which instrument it was."
        yield _said("not named", "inconclusive", says, advice, entries=_ids(nameless))


def _ids(used: Used) -> tuple[str, ...]:
    return tuple(dict.fromkeys(used.entries))


def _instrument(job: Job, name: str, used: Used) -> Finding:
    record, entries = job.instrument(name), _ids(used)
    if record is None:
        advice = "Register it, with its certificate, or correct the name in the entries."
        return _said(name, "inconclusive", f"{name} is not registered.", advice, entries=entries)
    certificates, faults = [], [*_kind(record, used)]
    for day, last in _days(job, used).items():
        certificate = record.calibration_on(day)
        if certificate is None:
            advice = "Record its certificate."
            faults.append(_Fault("inconclusive", f"no certificate of {day} or before is recorded", advice))
            continue
        if certificate not in certificates:
            certificates.append(certificate)
        faults += [*_expired(record, certificate, day), *_harmed(job, record, certificate, last)]
    read = _extremes(record, used)
    faults += _range(record, read)
    for certificate in certificates:
        faults += _class(record, certificate, read)
    said = "; ".join([_count(used), *(_certified(record, one) for one in certificates), *_ranged(record, read)])
    if not faults:
        return _said(name, "conforming", f"{said}.", entries=entries)
    verdict: Verdict = "nonconforming" if any(one.verdict == "nonconforming" for one in faults) else "inconclusive"
    told = "; ".join(dict.fromkeys(one.why for one in faults))
    advice = " ".join(dict.fromkeys(one.advice for one in faults if one.verdict == verdict))
    return _said(name, verdict, f"{said}. But {told}.", advice, entries=entries)


def good_to(record: InstrumentRecord, certificate: InstrumentCalibrated) -> tuple[date, str] | None:
    """The last day on which a certificate holds, and what says so; None where nothing does."""
    interval = record.model.interval
    if interval is None and certificate.valid_until is None and isinstance(record.model, TorqueTool):
        interval = _A_YEAR
    days = [(later(certificate.on.date, interval), str(interval))] if interval else []
    if certificate.valid_until is not None:
        days.append((certificate.valid_until.date, "as it states"))
    return min(days, default=None)


def _days(job: Job, used: Used) -> dict[date, datetime]:
    """The days on which it was used, each with the last time."""
    times = sorted(used.times)
    first, last = job.day(times[0]), job.day(times[-1])
    return {last: times[-1]} if first == last else {job.day(at): at for at in times}


def _kind(record: InstrumentRecord, used: Used) -> Iterator[_Fault]:
    if wrong := [one for kind, listed in used.what.items() if kind != record.model.kind for one in listed]:
        why = f"it is a {_words(record.model.kind)}, named for {', '.join(dict.fromkeys(wrong))}"
        yield _Fault("nonconforming", why, "Correct the name in the entries, or do it again with the right instrument.")


def _expired(record: InstrumentRecord, certificate: InstrumentCalibrated, day: date) -> Iterator[_Fault]:
    until = good_to(record, certificate)
    if until is None:
        why = "neither the register's interval nor the certificate says until when it holds"
        yield _Fault("inconclusive", why, "Register its interval of calibration.")
    elif until[0] < day:
        over = f"its calibration had run out when it was used on {day}, {(day - until[0]).days} days before"
        yield _Fault("nonconforming", over, _RECALIBRATE)


def _harmed(job: Job, record: InstrumentRecord, certificate: InstrumentCalibrated, last: datetime) -> Iterator[_Fault]:
    """Dropped, overloaded or repaired between certificate and use; at equal times, which came first is open."""
    for event in record.events:
        day = job.day(event.at)
        if day < certificate.on.date or event.at > last:
            continue
        what = f"it was {event.data.event} {clock(job, event.at)}"
        if day == certificate.on.date:
            why = f"{what}, on the day of the certificate: which came first is not known"
            yield _Fault("inconclusive", why, "Ask who calibrated it, and correct the time of the event.")
        elif event.at == last:
            why = f"{what}, at the time at which it was used last: which came first is not known"
            yield _Fault("inconclusive", why, "Seconds or another clock would settle it.")
        else:
            yield _Fault("nonconforming", f"{what}, and not calibrated before it was used again", _RECALIBRATE)


def _range(record: InstrumentRecord, read: Sequence[Quantity]) -> Iterator[_Fault]:
    low, high = record.model.min, record.model.max
    for x in read:
        if (high is not None and x.si > high.si) or (low is not None and x.si < low.si and x.number != 0):
            advice = "Do it again with an instrument whose range holds it, or correct the reading."
            yield _Fault("nonconforming", f"{x} is out of its range", advice)


def _extremes(record: InstrumentRecord, used: Used) -> list[Quantity]:
    """The least and the most it read, as far as the register's range can be held against it."""
    top = record.model.max or record.model.min
    reference = top.reference if isinstance(top, Pressure) else None
    read = used.read.get(record.model.kind, [])
    if reference is not None:
        read = [x for x in read if not isinstance(x, Pressure) or x.reference == reference]
    if not read:
        return []
    least, most = min(read, key=_SI), max(read, key=_SI)
    return [least] if least.si == most.si else [least, most]


_SI = attrgetter("si")


def _class(record: InstrumentRecord, certificate: InstrumentCalibrated, found: Sequence[Quantity]) -> Iterator[_Fault]:
    """The error as left by the certificate against what the instrument's class permits."""
    if certificate.as_left_error_percent is None:
        return
    error = abs(Decimal(certificate.as_left_error_percent))
    limit, base = None, "reading"
    if isinstance(record.model, TorqueTool):
        limit, whole = class_limit_percent(record.model), span(record.model)
        least = found[0].si if found else Decimal(0)
        if certificate.of == "span":  # the same error weighs most where it read least
            error = error * whole / least if whole and least else Decimal(0)
    elif isinstance(record.model, PressureGauge) and record.model.class_percent is not None:
        limit, base, top = Decimal(record.model.class_percent), "span", record.model.max
        if certificate.of == "reading":
            error = error * abs(found[-1].si) / top.si if found and top is not None and top.si else Decimal(0)
    if limit is not None and error > limit:
        why = f"its error as left is {figures(error, 2)} % of {base}, where its class permits {limit.normalize():f} %"
        yield _Fault("nonconforming", why, "Have it adjusted and calibrated, and do the work again with another.")


def _count(used: Used) -> str:
    return f"Used {len(used.times)} times" if len(used.times) > 1 else "Used once"


def _certified(record: InstrumentRecord, certificate: InstrumentCalibrated) -> str:
    until = good_to(record, certificate)
    name = f"certificate {certificate.certificate} of {certificate.on}" if certificate.certificate else ""
    holds = f", good to {until[0]} ({until[1]})" if until else ""
    return f"{name or f'calibrated {certificate.on}'}{holds}"


def _ranged(record: InstrumentRecord, read: Sequence[Quantity]) -> Iterator[str]:
    """``36.0 N.m to 81.0 N.m, range 10 N.m to 100 N.m``."""
    if read:
        model = record.model
        span_read = " to ".join(map(str, read))
        ends = f"{model.min} to {model.max}" if model.min and model.max else f"to {model.max}" if model.max else ""
        yield f"{span_read}, range {ends}" if ends else f"{span_read}, no range registered"


def _words(kind: str) -> str:
    return kind.replace("_", " ")


INSTRUMENT = Check(
    NAME,
    "Each instrument used was in calibration on the day, unharmed since, in its range, of the right kind and class.",
    "day ≤ min(certificate + interval, valid until); min ≤ x ≤ max; |error as left| ≤ class",
    SOURCE,
    reads=frozenset(
        {"leak.tested", "lockup.tested", "pressure.read", "rebuild.opened", "setting.adjusted", "torque.applied"}
    ),
    run=check,
)
