"""Every function test the procedure asks for was passed, with its readings in their limits.

low ≤ x ≤ high for each reading that has limits, both included, compared as exact decimals in SI: simple acceptance,
ILAC-G8:09/2019 cl. 4.2 (from memory). The last test of each function decides; a reading out of its limits outweighs the
word "passed". A test that failed counts although nobody asked for it: common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any, NamedTuple

from service.checks.clock import clock
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding, in_both, say
from service.checks.job import Fact, Job
from service.entries.judgement import Verdict
from service.entries.work import FunctionReading, FunctionTested

NAME = "functions"
SOURCE = f"tests: the procedure; simple acceptance, ILAC-G8:09/2019 cl. 4.2 ({FROM_MEMORY}); rule: {COMMON_PRACTICE}"
_said = partial(say, NAME, SOURCE)


class _Weighed(NamedTuple):
    """One reading: in its limits, out of them, or (None) not to be compared."""

    within: bool | None
    words: str


def check(job: Job) -> Iterator[Finding]:
    """One finding for each function asked for, and one for each other that failed."""
    asked = job.procedure.functions
    last = {fact.data.test: fact for fact in job.facts.of(FunctionTested)}
    if not asked:
        says = "The procedure asks for no function tests."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
    for test in asked:
        fact = last.pop(test, None)
        yield _tested(job, fact) if fact is not None else _missing(test)
    for fact in last.values():
        finding = _tested(job, fact)
        if finding.verdict == "nonconforming":
            yield finding


def _missing(test: str) -> Finding:
    advice = f"Test it, and record function.tested ({test}) with its readings and limits."
    return _said(test, "inconclusive", "No such test is recorded.", advice)


def _tested(job: Job, fact: Fact[FunctionTested]) -> Finding:
    test = fact.data
    weighed = [_weigh(reading) for reading in test.readings]
    outside = any(one.within is False for one in weighed)
    told = "".join(f"; {one.words}" for one in weighed)
    said = f"{test.result.capitalize()} {clock(job, fact.at)}{told}"
    verdict: Verdict = "conforming"
    advice = None
    if test.result == "failed" or outside:
        verdict, advice = "nonconforming", "Mend it and test it again."
        said += ": out of its limits, whatever the result says" if outside and test.result == "passed" else ""
    elif any(one.within is None for one in weighed):
        verdict, advice = "inconclusive", "Give reading and limits in units of the same kind."
    return _said(test.test, verdict, f"{said}.", advice, entries=(fact.id,), **_shown(test))


def _weigh(reading: FunctionReading) -> _Weighed:
    """A reading against whatever limits it has."""
    x, limits = reading.value, [limit for limit in (reading.low, reading.high) if limit is not None]
    words = f"{reading.what} {in_both(x)}"
    if not limits:
        return _Weighed(within=True, words=f"{words}, no limits given")
    if any(limit.si_unit != x.si_unit for limit in limits):
        return _Weighed(within=None, words=f"{words} cannot be compared with {' and '.join(map(str, limits))}")
    low, high = reading.low, reading.high
    within = (low is None or low.si <= x.si) and (high is None or x.si <= high.si)
    between = f"{low} to {high}" if low and high else f"at least {low}" if low else f"at most {high}"
    return _Weighed(within, f"{words}, limits {between}")


def _shown(test: FunctionTested) -> dict[str, Any]:
    """The reading as findings show it, where there is only one."""
    if len(test.readings) != 1:
        return {}
    (reading,) = test.readings
    limits = {name: limit.shown() for name, limit in (("low", reading.low), ("high", reading.high)) if limit}
    return {"measured": reading.value.shown(), "required": limits or None}


FUNCTIONS = Check(
    NAME,
    "Every function the procedure asks for (changeover, alarms, relief, purge, identity) passed, in its limits.",
    "low ≤ x ≤ high for each reading with limits; the last test of each function decides",
    SOURCE,
    reads=frozenset({"function.tested", "rebuild.opened"}),
    run=check,
)
