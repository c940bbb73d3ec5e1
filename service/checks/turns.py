"""The stem goes back in by as many turns as it came out.

d = n_in − n_out, turns; conforming while |d| ≤ tolerance. No standard gives a tolerance: it belongs to the procedure
(common practice, no published source), and so do these rules:

- Witness marks aligned before the first turn and after the last leave whole turns only. |d − w| ≤ tolerance for a whole
  number w ≠ 0 is a turn lost in counting or on the thread: nonconforming, the pressure decides. A fraction beyond the
  tolerance contradicts the marks: inconclusive.
- Once the delivered pressure has been set and read in band, a difference has done what it could: noted, not counted.

What a turn does: ``pressure_per_turn``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from functools import partial

from service.checks.delivered_pressure import in_band_after
from service.checks.finding import COMMON_PRACTICE, Check, Finding
from service.checks.job import Facts, Job, StemLeft
from service.checks.pressure_per_turn import of_job
from service.checks.stem_count import Run, Settled, Unsettled, adjusted, plain, runs, signed, within
from service.entries.judgement import Verdict
from service.entries.procedure import StemTurns
from service.entries.quantity import Turns, figures
from service.entries.work import SettingAdjusted

SOURCE = f"tolerance: the procedure; rule: {COMMON_PRACTICE}"
_finding = partial(Finding, check="turns", subject="stem", source=SOURCE)


def check(job: Job) -> Iterator[Finding]:
    """One finding about the stem: the last turning out and back in decides."""
    asked = job.procedure.turns
    if asked is None:
        says = "The procedure does not ask for stem turns to be counted."
        yield _finding(subject="turns", verdict="not_applicable", says=says)
        return
    counted = runs(job)
    if not counted:
        yield _finding(
            verdict="inconclusive",
            says="No stem turns counted, out or in.",
            advice="Record the turns out before the stem is taken apart, and the turns in when it is back.",
        )
    elif counted[-1].direction == "out":
        yield _not_back_in(job, asked, counted)
    else:
        finding = _turned_back(job, asked, counted)
        if finding.verdict != "conforming" and in_band_after(job, counted[-1].facts[-1].at):
            finding = finding.noted_only(
                "The delivered pressure was set and read in band afterwards: noted, it no longer counts."
            )
        yield finding


TURNS = Check(
    "turns",
    "The stem is turned back in as far as it was turned out; counts agree between those who count.",
    "d = n_in − n_out, |d| ≤ tolerance; Δp = d × (Δp per turn: learned from adjustments, else k·P/A, else registered)",
    SOURCE,
    reads=frozenset({"pressure.read", "rebuild.closed", "rebuild.opened", "setting.adjusted", "turns.counted"}),
    run=check,
)


def settled(job: Job, direction: str) -> Settled | Unsettled | None:
    """What the last run in a direction came to; None where nobody counted."""
    last = next((run for run in reversed(runs(job)) if run.direction == direction), None)
    return last.settle(_asked(job)) if last is not None else None


def engaged(job: Job) -> StemLeft | None:
    """How far the stem is engaged as left: turns in, and what the setting was adjusted by since.

    A rebuild in which nobody turned the stem leaves it as the one before did, but for its adjustments. None where the
    stem was not counted in last, or the count is not settled.
    """
    counted = runs(job)
    if not counted:
        return _carried_on(job)
    if counted[-1].direction == "out":
        return None
    turned_in = counted[-1].settle(_asked(job))
    if isinstance(turned_in, Unsettled):
        return None
    since = [fact for fact in job.facts.of(SettingAdjusted) if fact.at >= turned_in.at]
    return StemLeft(
        turns=turned_in.turns + adjusted(since),
        at=max([turned_in.at, *(fact.at for fact in since)]),
        entries=(*turned_in.entries, *(fact.id for fact in since)),
    )


def _carried_on(job: Job) -> StemLeft | None:
    """As the rebuild before left it, and adjusted since; None where the stem may have been out uncounted."""
    left = job.earlier[-1].stem if job.earlier else None
    handled = job.facts.of_type("part.removed", "part.fitted")
    if left is None or (job.procedure.turns is not None and handled):
        return None
    own = job.facts.of(SettingAdjusted)
    if not own:
        return left
    outside = [fact for fact in Facts(job.between).of(SettingAdjusted) if left.at < fact.at <= own[-1].at]
    since = [*outside, *own]
    return StemLeft(left.turns + adjusted(since), own[-1].at, (*left.entries, *(fact.id for fact in since)))


def _asked(job: Job) -> StemTurns:
    """What the procedure asks of a count; one that asks nothing takes one person's word."""
    return job.procedure.turns or StemTurns(tolerance=Turns(value="0", unit="turn"))


def _not_back_in(job: Job, asked: StemTurns, counted: Sequence[Run]) -> Finding:
    out = counted[-1].settle(asked)
    ending = "no turns in recorded" if job.state == "closed" else "not turned back in yet"
    return _finding(
        verdict="inconclusive",
        says=f"Turns out: {_told(out)}; {ending}.{_earlier(asked, counted[:-1])}",
        advice=out.advice if isinstance(out, Unsettled) else "Record the turns in.",
        entries=out.entries,
    )


def _turned_back(job: Job, asked: StemTurns, counted: Sequence[Run]) -> Finding:
    turned_in = counted[-1].settle(asked)
    out = counted[-2].settle(asked) if len(counted) > 1 else None
    earlier = _earlier(asked, counted[:-2])
    if isinstance(out, Settled) and isinstance(turned_in, Settled):
        return _compared(job, asked, out, turned_in, earlier)
    missing = "Record the turns out if they were counted; else set the delivered pressure and read it."
    advice = [count.advice for count in (out, turned_in) if isinstance(count, Unsettled)]
    return _finding(
        verdict="inconclusive",
        says=f"Turns out: {_told(out)}; turns in: {_told(turned_in)}.{earlier}",
        advice=" ".join(advice if out is not None else [missing, *advice]),
        entries=(*(out.entries if out is not None else ()), *turned_in.entries),
    )


def _told(count: Settled | Unsettled | None) -> str:
    if isinstance(count, Settled):
        return f"{plain(count.turns)} ({count.people})"
    return count.why if count is not None else "none recorded"


def _compared(job: Job, asked: StemTurns, out: Settled, turned_in: Settled, earlier: str) -> Finding:
    d = turned_in.turns - out.turns
    verdict, reason, advice = _verdict(asked, d, out, turned_in)
    says = (
        f"{plain(out.turns)} turns out ({out.people}), {plain(turned_in.turns)} in ({turned_in.people}): difference "
        f"{signed(d)} turn, tolerance {asked.tolerance}{reason}."
    )
    shown = {"value": plain(d), "unit": "turn"}
    return _finding(
        verdict=verdict,
        measured={**shown, "si": shown},
        required={"tolerance": asked.tolerance.shown()},
        says=f"{says}{_effect(job, d)}{earlier}",
        advice=advice,
        entries=(*out.entries, *turned_in.entries),
    )


def _verdict(asked: StemTurns, d: Decimal, out: Settled, turned_in: Settled) -> tuple[Verdict, str, str | None]:
    """The verdict on a why, and what would mend it."""
    tolerance = asked.tolerance.si
    if within(d, tolerance):
        return "conforming", "", None
    set_it = "Set the delivered pressure and read it in band, or recount on the thread."
    if not (out.aligned and turned_in.aligned):
        told = "not aligned" if False in (out.aligned, turned_in.aligned) else "not told to be aligned"
        return "nonconforming", f"; the marks were {told} both ways", set_it
    whole = round(d)
    if whole != 0 and within(d - whole, tolerance):
        lost = f"; marks aligned both ways, so {abs(whole)} whole turn{'s' if abs(whole) > 1 else ''}"
        return "nonconforming", f"{lost} lost in counting or on the thread: the pressure decides", set_it
    contradicted = "; marks aligned both ways leave whole turns only, and this is a fraction: it contradicts the marks"
    return "inconclusive", contradicted, "Look at the marks, recount together, and correct the entry that is wrong."


def _effect(job: Job, d: Decimal) -> str:
    """What the difference does to the delivered pressure."""
    per_turn = of_job(job)
    if per_turn is None or d == 0:
        return ""
    change = d * per_turn.kpa
    return f" That is about {'−' if change < 0 else '+'}{figures(abs(change), 3)} kPa delivered ({per_turn.says})."


def _earlier(asked: StemTurns, counted: Sequence[Run]) -> str:
    """Earlier turnings out and in, told but not judged."""
    told = []
    for run in counted:
        count = run.settle(asked)
        told.append(f"{plain(count.turns) if isinstance(count, Settled) else 'unsettled'} {run.direction}")
    return f" Before that: {', '.join(told)}." if told else ""
