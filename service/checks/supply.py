"""The wards were supplied while the bank was out: the line stayed in its band, and those who depend on it were told.

low ≤ p ≤ high, kPa, for every reading of the line from each isolation to the restoring after it; both ends included,
simple acceptance, ILAC-G8:09/2019 cl. 4.2 (from memory). The band is the register's.
t(told before) < t(first isolation); t(told after) > t(last restoring); equal times prove no order. Common practice, no
published source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from functools import partial
from itertools import pairwise

from service.checks.clock import clock, lapse
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding, in_both, say
from service.checks.job import Fact, Job
from service.entries.asset import LinePressure
from service.entries.work import BankIsolated, BankRestored, NoticeGiven, PressureRead

NAME = "supply"
SOURCE = f"band: the register; simple acceptance, ILAC-G8:09/2019 cl. 4.2 ({FROM_MEMORY}); notice: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE)
_Out = tuple[datetime, datetime | None]
"""From an isolation to the restoring after it; None while it has not come."""
_SECONDS = "The times are equal; seconds or another clock would settle it."


def check(job: Job) -> Iterator[Finding]:
    """One finding about the line, one about the notice before and one about the notice after, as the procedure asks."""
    if not job.procedure.supply and not job.procedure.notice:
        says = "The procedure asks neither for the line's pressure nor for notice."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
        return
    out = _times_out(job)
    if job.procedure.supply:
        yield _line(job, out)
    if job.procedure.notice:
        yield _before(job, out)
        yield _after(job, out)


def _times_out(job: Job) -> list[_Out]:
    """When the bank was out of service."""
    restored = [fact.at for fact in job.facts.of(BankRestored)]
    times: list[_Out] = []
    for fact in job.facts.of(BankIsolated):
        if not times or (times[-1][1] is not None and times[-1][1] <= fact.at):
            times.append((fact.at, next((at for at in restored if at >= fact.at), None)))
    return times


def _line(job: Job, out: Sequence[_Out]) -> Finding:
    line = job.register.line_pressure
    if line is None:
        says = "The register gives no band for the line."
        return _said("line", "inconclusive", says, "Register the line's pressure: its point, lowest and highest.")
    required = {"low": line.low.shown(), "high": line.high.shown()}
    read = _read_meanwhile(job, line, out)
    if not read:
        says, advice = f"No pressure of {line.point} was read while the bank was out.", f"Read {line.point} meanwhile."
        return _said("line", "inconclusive", says, advice, required=required)
    entries = tuple(fact.id for fact in read)
    band = f"band {line.low} to {line.high}"
    if any(not fact.data.pressure.reference == line.low.reference == line.high.reference for fact in read):
        says = f"{_written(read)}; {band}: gauge and absolute pressure cannot be compared."
        return _said("line", "inconclusive", says, "Read it against the same reference as the band.", entries=entries)
    outside = [fact for fact in read if not line.low.si <= fact.data.pressure.si <= line.high.si]
    said = f"{_written(read)}; {band}{_gap(read, out)}"
    if not outside:
        lowest = min(read, key=lambda fact: fact.data.pressure.si)
        measured = lowest.data.pressure.shown()
        return _said("line", "conforming", f"{said}: inside.", measured=measured, required=required, entries=entries)
    told = ", ".join(f"{fact.data.pressure} at {clock(job, fact.at)}" for fact in outside)
    advice = "Tell the wards, and look at the companion bank and the line: patients depend on it."
    measured = outside[-1].data.pressure.shown()
    return _said(
        "line",
        "nonconforming",
        f"{said}: {told} outside it.",
        advice,
        measured=measured,
        required=required,
        entries=entries,
    )


def _read_meanwhile(job: Job, line: LinePressure, out: Sequence[_Out]) -> list[Fact[PressureRead]]:
    """The line's readings while the bank was out; where no isolation is recorded, those read during the work."""
    reads = [fact for fact in job.facts.of(PressureRead) if fact.data.point == line.point]
    if not out:
        return [fact for fact in reads if fact.data.phase == "during"]
    return [fact for fact in reads if any(since <= fact.at and (to is None or fact.at <= to) for since, to in out)]


def _written(read: Sequence[Fact[PressureRead]]) -> str:
    if len(read) == 1:
        return in_both(read[0].data.pressure)
    ordered = sorted((fact.data.pressure for fact in read), key=lambda p: p.si)
    return f"{len(read)} readings, {ordered[0]} to {ordered[-1]}"


def _gap(read: Sequence[Fact[PressureRead]], out: Sequence[_Out]) -> str:
    """The longest time in which nobody looked; told, not judged."""
    gaps = [timedelta(0)]
    for since, to in out:
        times = [since, *(fact.at for fact in read if since <= fact.at and (to is None or fact.at <= to))]
        gaps += [later - earlier for earlier, later in pairwise([*times, *([to] if to else [])])]
    return f"; longest time without a reading {lapse(max(gaps))}" if max(gaps) else ""


def _before(job: Job, out: Sequence[_Out]) -> Finding:
    told = [fact for fact in job.facts.of(NoticeGiven) if fact.data.when == "before"]
    subject, advice = "notice before", "Tell the wards before the bank goes out; if it was done, record notice.given."
    if not told:
        return _said(subject, "inconclusive", "No notice before the work is recorded.", advice)
    said, entries = f"Told {clock(job, told[0].at)}: {', '.join(told[0].data.to)}", (told[0].id,)
    if not out or told[0].at < out[0][0]:
        ahead = f", {lapse(out[0][0] - told[0].at)} before the bank was isolated" if out else ""
        return _said(subject, "conforming", f"{said}{ahead}.", entries=entries)
    if told[0].at == out[0][0]:
        return _said(subject, "inconclusive", f"{said}; isolated at the same time.", _SECONDS, entries=entries)
    said = f"{said}, {lapse(told[0].at - out[0][0])} after the bank was isolated."
    return _said(subject, "nonconforming", said, "If a clock or a slip was wrong, correct the time.", entries=entries)


def _after(job: Job, out: Sequence[_Out]) -> Finding:
    subject, advice = "notice after", "Tell the wards that the bank is back, and record notice.given (after)."
    restored = job.facts.of(BankRestored)
    if not restored or (out and out[-1][1] is None):
        if job.state == "closed":
            return _said(subject, "not_applicable", "The bank was not restored: there is nothing to tell yet.")
        return _said(subject, "inconclusive", "The bank is not restored yet.", advice)
    told = [fact for fact in job.facts.of(NoticeGiven) if fact.data.when == "after"]
    if not told:
        return _said(subject, "inconclusive", "No notice after the work is recorded.", advice)
    last, back = told[-1], restored[-1].at
    said, entries = f"Told {clock(job, last.at)}: {', '.join(last.data.to)}", (last.id,)
    if last.at > back:
        said = f"{said}, {lapse(last.at - back)} after the bank was restored."
        return _said(subject, "conforming", said, entries=entries)
    if last.at == back:
        return _said(subject, "inconclusive", f"{said}; restored at the same time.", _SECONDS, entries=entries)
    said = f"{said}, {lapse(back - last.at)} before the bank was restored."
    return _said(subject, "nonconforming", said, advice, entries=entries)


SUPPLY = Check(
    NAME,
    "The line downstream stayed in its band while the bank was out, and the wards were told before and after.",
    "low ≤ p ≤ high from each isolation to its restoring; t(told before) < t(isolated), t(told after) > t(restored)",
    SOURCE,
    reads=frozenset(
        {"bank.isolated", "bank.restored", "notice.given", "pressure.read", "rebuild.closed", "rebuild.opened"}
    ),
    run=check,
)
