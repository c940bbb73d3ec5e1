"""Each section the procedure asks for is tight: pressure decay, temperature-corrected, on a section that nothing feeds.

Q = −V·(T_ref/T1)·d/Δt  = V·T_ref·(p1/T1 − p2/T2)/Δt        Pa·m³/s
    V the section's volume; p absolute, T kelvin, d the drift beyond temperature (``service.checks.shut_section``);
    T_ref 20 °C, for a limit in sccm 0 °C, the reference of that unit.  U = 2·V·(T_ref/T1)·u(d)/Δt
Conforming while Q + U ≤ limit, nonconforming from Q − U > limit; between them, or where U > limit (the test could not
have seen the limit), inconclusive: U falls as 1/Δt, so Δt·U/|limit − Q| and Δt·U/limit would do. Q + U < 0 is a
pressure that rose: something feeds the section. The gauge should resolve a tenth of the limit (ASTM E2930-13(2021),
from memory). First and last reading of the last test decide.

Bubbles: a leak is seen. None: limit·t/101 325 Pa would have blown out while watched for t; 0.1 mL is a bubble of 6 mm
and would have been seen (common practice, no published source).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from functools import partial
from typing import Any

from service.checks.clock import clock, lapse, span
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check, Finding, in_both, say
from service.checks.gas import Unknown
from service.checks.job import Fact, Job
from service.checks.shut_section import COVERAGE, Read, drift, written
from service.entries.judgement import Verdict
from service.entries.quantity import LeakRate, figures, resolve
from service.entries.work import BubbleTest, DecayTest, LeakTested

NAME = "leak"
SOURCE = (
    f"limit: the procedure; resolution: ASTM E2930-13(2021) ({FROM_MEMORY}); "
    f"uncertainty: JCGM 100:2008 ({FROM_MEMORY}); bubbles: {COMMON_PRACTICE}"
)
_said = partial(say, NAME, SOURCE)
_T_REF, _T_REF_SCCM = Decimal("293.15"), Decimal("273.15")
_ATMOSPHERE_PASCAL = 101_325
_VISIBLE_ML = Decimal("0.1")
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Rate:
    """A leak rate and its expanded uncertainty, Pa·m³/s at the reference temperature; ``words`` is the arithmetic."""

    q: Decimal
    expanded: Decimal
    t_ref: Decimal
    volume: Decimal
    seconds: Decimal
    hidden: str
    words: str


def check(job: Job) -> Iterator[Finding]:
    """One finding for each section asked for, and one for each other section in which a leak was found."""
    asked = job.procedure.leak_test
    if asked is None:
        says = "The procedure asks for no leak test."
        yield Finding(check=NAME, subject=NAME, verdict="not_applicable", says=says, source=SOURCE)
        return
    tests: dict[str, list[Fact[LeakTested]]] = {section: [] for section in asked.sections}
    for fact in job.facts.of(LeakTested):
        tests.setdefault(fact.data.root.section, []).append(fact)
    for section, facts in tests.items():
        finding = _section(job, section, asked.limit, facts)
        if section in asked.sections or finding.verdict == "nonconforming":
            yield finding


def decay_rate(job: Job, fact: Fact[LeakTested], t_ref: Decimal = _T_REF) -> Rate | Unknown:
    """The leak rate that a decay test shows; else why it shows none."""
    return job.recall((NAME, fact.id, t_ref), [*job.seen(), fact], lambda: _work_out(job, _decay_test(fact), t_ref))


def _decay_test(fact: Fact[LeakTested]) -> DecayTest:
    if not isinstance(fact.data.root, DecayTest):
        raise TypeError("a test by pressure decay is wanted")
    return fact.data.root


def _work_out(job: Job, test: DecayTest, t_ref: Decimal) -> Rate | Unknown:
    if test.fed_by:
        return Unknown(f"{', '.join(test.fed_by)} fed the section", "Shut off what feeds it, and repeat the test.")
    if not test.closed and "fed_by" not in test.model_fields_set:
        advice = "Correct the entry: what fed the section (nothing: an empty list), and which valves were shut."
        return Unknown("it is not told that nothing fed the section", advice)
    if test.volume is None or test.volume.si == 0:
        return Unknown("the volume of the section is not known", "Correct the entry: the section's volume.")
    readings = sorted(test.readings, key=lambda reading: reading.at.at)
    first, last = readings[0], readings[-1]
    seconds = Decimal((last.at.at - first.at.at) // _MICROSECOND) / 1_000_000
    if seconds == 0:
        return Unknown("there is only one reading", "Record the readings at the beginning and at the end.")
    start, end = Read(first.pressure, first.temperature), Read(last.pressure, last.temperature)
    found = drift(job, start, end, test.atmosphere, (test.instrument, test.thermometer))
    if isinstance(found, Unknown):
        return found
    to_rate = test.volume.si * t_ref / found.t1 / seconds  # L × kPa is Pa·m³
    q, expanded = -to_rate * found.d, COVERAGE * to_rate * found.u
    hid = found.rise > 0 and q > expanded and last.pressure.si >= first.pressure.si
    words = (
        f"{written(start)}, {lapse(last.at.at - first.at.at)} later {written(end)}: {found.words}; Q = {test.volume} × "
        f"{t_ref} K × (p1/T1 − p2/T2) / {seconds.normalize():f} s = {figures(q, 3)}, U {figures(expanded, 2)} Pa.m3/s "
        f"(k = 2) at {t_ref - _T_REF_SCCM:.0f} °C"
    )
    hidden = f". The temperature rose by {figures(found.rise, 2)} K and hid the leak from the gauge" if hid else ""
    return Rate(q, expanded, t_ref, test.volume.si, seconds, hidden, words)


def last_decay(facts: Sequence[Fact[LeakTested]]) -> Fact[LeakTested] | None:
    """The last test by pressure decay."""
    return next((fact for fact in reversed(facts) if isinstance(fact.data.root, DecayTest)), None)


def _section(job: Job, section: str, limit: LeakRate, facts: Sequence[Fact[LeakTested]]) -> Finding:
    """The last decay decides; bubbles seen after it refute it, none seen may settle what it left open."""
    decay = last_decay(facts)
    found = _decay(job, decay, limit) if decay is not None else None
    last = facts[-1] if facts else None
    if last is None:
        advice = f"Test the section {section}, shut off from everything, and record leak.tested."
        return _said(section, "inconclusive", "No leak test is recorded.", advice, required={"limit": limit.shown()})
    if last is decay and found is not None:
        return found
    bubbles = _bubbles(job, last, limit)
    if found is None or bubbles.verdict == "nonconforming" or found.verdict == "inconclusive":
        return bubbles
    return found


def _decay(job: Job, fact: Fact[LeakTested], limit: LeakRate) -> Finding:
    test, required = _decay_test(fact), {"limit": limit.shown()}
    rate = decay_rate(job, fact, _T_REF_SCCM if limit.code == "sccm" else _T_REF)
    if isinstance(rate, Unknown):
        says = f"Decay ended {clock(job, fact.at)}: {rate.why}."
        return _said(test.section, "inconclusive", says, rate.advice, required=required, entries=(fact.id,))
    verdict, why, advice = _decided(rate, limit)
    return _said(
        test.section,
        verdict,
        f"{rate.words}{rate.hidden}; limit {in_both(limit, 3)}: {why}.",
        advice,
        measured=_measured(rate.q, limit),
        required=required,
        entries=(fact.id,),
    )


def _decided(rate: Rate, limit: LeakRate) -> tuple[Verdict, str, str | None]:
    """The verdict, why, and what would mend or settle it."""
    q, expanded, most = rate.q, rate.expanded, limit.si
    if q + expanded < 0:
        advice = "Find what feeds the section, shut it off, and repeat the test."
        return "inconclusive", "the pressure rose by more than the readings leave open, so something feeds it", advice
    if q - expanded > most:
        return "nonconforming", "it leaks more", "Find the leak, mend it, and repeat the test."
    if expanded <= most and q + expanded <= most:
        return "conforming", "Q + U is within it", None
    blind = expanded > most
    why = "U is larger: the test could not have seen it" if blind else "it lies between Q − U and Q + U"
    return "inconclusive", why, _longer(rate, most)


def _longer(rate: Rate, limit: Decimal) -> str:
    """How long it would have to last, on these instruments and with this leak."""
    margins = [margin for margin in (limit, abs(limit - rate.q)) if margin > 0]
    if not limit or not margins:
        return "Repeat the test with a finer gauge and thermometer."
    seconds = rate.seconds * max(rate.expanded / margin for margin in margins)
    if seconds > 7 * 86_400:
        return "Repeat the test with a finer gauge and thermometer: with these it would take weeks."
    minutes = timedelta(minutes=int(seconds // 60) + 1)
    return f"Repeat it for {lapse(minutes)} or longer, or with a finer gauge and thermometer."


def _bubbles(job: Job, fact: Fact[LeakTested], limit: LeakRate) -> Finding:
    test = fact.data.root
    if not isinstance(test, BubbleTest):
        raise TypeError("a test by bubbles is wanted")
    verdict: Verdict = "inconclusive"
    said, advice = f"Leak-detection fluid at {clock(job, fact.at)}", None
    if test.result == "bubbles":
        verdict, said, advice = "nonconforming", f"{said}: bubbles", "Find the leak, mend it, and repeat the test."
    elif test.watched is None or test.pressure is None or test.pressure.si <= 0:
        said = f"{said}: no bubbles, but at which pressure, or for how long it was watched, is not told"
        advice = "Correct the entry: the pressure in the section, and how long it was watched."
    else:
        blown = limit.si * (span(test.watched) // timedelta(seconds=1)) / _ATMOSPHERE_PASCAL * 1_000_000
        said = f"{said}: no bubbles in {lapse(span(test.watched))} at {test.pressure}"
        said = (
            f"{said}; the limit {in_both(limit, 3)} would have blown {figures(blown, 2)} mL, {_VISIBLE_ML} mL are seen"
        )
        if blown >= _VISIBLE_ML:
            verdict = "conforming"
        else:
            advice = "Watch longer, or measure the leak by pressure decay."
    return _said(test.section, verdict, f"{said}.", advice, required={"limit": limit.shown()}, entries=(fact.id,))


def _measured(q: Decimal, limit: LeakRate) -> dict[str, Any]:
    """The rate in the unit in which the procedure gives its limit, and in SI."""
    in_unit = q / resolve(limit.dimension, limit.unit).factor
    si = {"value": figures(q, 3), "unit": limit.si_unit}
    return {"value": figures(in_unit, 3), "unit": limit.code, "si": si}


LEAK = Check(
    NAME,
    "Each section the procedure asks for loses no more than its limit, with temperature taken out of the pressure.",
    "Q = V·T_ref·(p1/T1 − p2/T2)/Δt, absolute and kelvin; Q + U ≤ limit, U = 2·u from gauge and thermometer",
    SOURCE,
    reads=frozenset({"leak.tested", "rebuild.opened"}),
    run=check,
)
