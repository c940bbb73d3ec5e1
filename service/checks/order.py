"""Order: a complete A precedes every B, and what proves the work comes after the last of it.

t(A complete) < t(first B) for each pair the procedure names; t(test begun) > t(last part, torque or setting) for leak,
lock-up, pressure as left and functions. Times are when an observation was complete, never when it arrived; equal times
prove nothing. The pairs come from the procedure; the rule is common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import partial

from pydantic import BaseModel

from service.checks.clock import clock, lapse
from service.checks.delivered_pressure import last_as_left
from service.checks.finding import COMMON_PRACTICE, EVERYTHING, Check, Finding, say
from service.checks.job import Fact, Job
from service.checks.milestones import complete, first, read_by
from service.entries import work

NAME = "order"
SOURCE = f"pairs: the procedure; rule: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE)
_WORK = ("part.removed", "part.fitted", "torque.applied", "setting.adjusted")
_SECONDS = "The times are equal; seconds or another clock would settle it."


def check(job: Job) -> Iterator[Finding]:
    """One finding for each pair of the procedure, and one for each kind of test that follows the work."""
    findings = [*(_pair(job, earlier, later) for earlier, later in job.procedure.before), *_after_the_work(job)]
    if not findings:
        yield _said(NAME, "not_applicable", "The procedure names no order, and nothing recorded has one to keep.")
    yield from findings


def _pair(job: Job, earlier: str, later: str) -> Finding:
    seen = job.seen(*read_by(earlier), *read_by(later))
    return job.recall((NAME, earlier, later), seen, lambda: _compared(job, earlier, later))


def _compared(job: Job, earlier: str, later: str) -> Finding:
    subject = f"{earlier} before {later}"
    done, begun = complete(job, earlier), first(job, later)
    if begun.at is None:
        return _said(subject, "not_applicable", f"Nothing to compare: {begun.missing}.")
    if done.at is None:
        says = f"First {later} {clock(job, begun.at)}, but {earlier} is not complete: {done.missing}."
        return _said(subject, "inconclusive", says, "Record what is missing, with its time.", begun.entries)
    says = f"{earlier} complete {clock(job, done.at)}, first {later} {clock(job, begun.at)}"
    entries = (*done.entries, *begun.entries)
    if done.at == begun.at:
        return _said(subject, "inconclusive", f"{says}: the same time.", _SECONDS, entries)
    if done.at < begun.at:
        return _said(subject, "conforming", f"{says}: {lapse(begun.at - done.at)} before.", None, entries)
    says = f"{says}: {lapse(done.at - begun.at)} after, not before."
    return _said(subject, "nonconforming", says, "If a clock or a slip was wrong, correct the time.", entries)


def _after_the_work(job: Job) -> Iterator[Finding]:
    """Leak, lock-up, as left and functions, each only where it is asked for and was done."""
    last_work = next(reversed(job.facts.of_type(*_WORK)), None)
    for what, tests in _last_tests(job).items():
        subject = f"{what} after the last part, torque or setting"
        if tests and last_work is None:
            yield _said(subject, "not_applicable", "No part, torque or setting is recorded.")
        elif tests and last_work is not None:
            yield _test(job, subject, tests, last_work)


def _last_tests(job: Job) -> Mapping[str, Mapping[str, Fact[BaseModel]]]:
    """The last test of each section, flow or function that is asked for."""
    sections = job.procedure.leak_test.sections if job.procedure.leak_test else ()
    leaks, functions = job.facts.of(work.LeakTested), job.facts.of(work.FunctionTested)
    return {
        "leak.tested": {test.data.root.section: test for test in leaks if test.data.root.section in sections},
        "lockup.tested": _last_lockups(job) if job.procedure.lockup else {},
        "as-left pressure": last_as_left(job),
        "function.tested": {test.data.test: test for test in functions if test.data.test in job.procedure.functions},
    }


def _last_lockups(job: Job) -> Mapping[str, Fact[BaseModel]]:
    """By section; a lock-up that names none stands for each."""
    lockups = job.facts.of(work.LockupTested)
    sections = {test.data.section for test in lockups if test.data.section} or {"lock-up"}
    return {name: test for test in lockups for name in ({test.data.section} if test.data.section else sections)}


def _test(job: Job, subject: str, tests: Mapping[str, Fact[BaseModel]], last_work: Fact[BaseModel]) -> Finding:
    """Every last test is later than the last work; a test that had begun before it is not."""
    begun = {name: _begun(test) for name, test in tests.items()}
    what = f"last {last_work.type} {clock(job, last_work.at)}"
    told = "; ".join(f"{name} {clock(job, at)}: {_beside(at, last_work.at)}" for name, at in begun.items())
    says, entries = f"{told} ({what}).", (last_work.id, *(test.id for test in tests.values()))
    if stale := [name for name, at in begun.items() if at < last_work.at]:
        return _said(subject, "nonconforming", says, f"Repeat it for {', '.join(stale)}.", entries)
    if any(at == last_work.at for at in begun.values()):
        return _said(subject, "inconclusive", says, _SECONDS, entries)
    return _said(subject, "conforming", says, None, entries)


def _begun(test: Fact[BaseModel]) -> datetime:
    """The first reading of a decay, else when the test was complete."""
    if isinstance(test.data, work.LeakTested) and isinstance(test.data.root, work.DecayTest):
        return min(test.at, *(reading.at.at for reading in test.data.root.readings))
    return test.at


def _beside(at: datetime, work_at: datetime) -> str:
    if at == work_at:
        return "the same time"
    return f"{lapse(at - work_at)} after it" if at > work_at else f"{lapse(work_at - at)} before it"


ORDER = Check(
    NAME,
    "A complete A precedes every B; leak, lock-up, as left and functions come after the last part, torque or setting.",
    "t(A complete) < t(first B); t(test begun) > t(last part, torque or setting)",
    SOURCE,
    reads=EVERYTHING,
    run=check,
)
