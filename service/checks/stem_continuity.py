"""Was the setting touched between rebuilds? Turns out now against turns engaged as last left.

d = n_out − (n_left + Σ adjustments since), turns; conforming while |d| ≤ tolerance, the procedure's for stem turns.
About the asset's past, not about today's work, so it never counts. Common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import partial

from service.checks.finding import COMMON_PRACTICE, Check, Finding
from service.checks.job import Fact, Facts, Job, StemLeft
from service.checks.stem_count import Run, Settled, Unsettled, adjusted, plain, runs, signed, within
from service.entries.procedure import StemTurns
from service.entries.work import SettingAdjusted

SOURCE = f"tolerance: the procedure; rule: {COMMON_PRACTICE}"
_finding = partial(Finding, check="stem_continuity", subject="stem", source=SOURCE, counts=False)


def check(job: Job) -> Iterator[Finding]:
    """One finding about the stem."""
    asked = job.procedure.turns
    if asked is None:
        says = "The procedure does not ask for stem turns to be counted."
        yield _finding(subject="stem_continuity", verdict="not_applicable", says=says)
        return
    left = job.earlier[-1].stem if job.earlier else None
    if left is None:
        which = "The rebuild before does not tell" if job.earlier else "There is no earlier rebuild to tell"
        yield _finding(verdict="not_applicable", says=f"{which} how far the stem was left engaged.")
        return
    out = next((run for run in runs(job) if run.direction == "out"), None)
    if out is None:
        yield _finding(
            verdict="inconclusive",
            says=f"Last left with {plain(left.turns)} turns engaged; no turns out recorded now.",
            advice="Record the turns out.",
            entries=left.entries,
        )
        return
    yield _against(job, asked, left, out)


STEM_CONTINUITY = Check(
    "stem_continuity",
    "The stem comes out by the turns it was left engaged: the setting was not touched between rebuilds. Never counts.",
    "d = n_out − (n_left + Σ adjustments since), |d| ≤ tolerance",
    SOURCE,
    reads=frozenset({"setting.adjusted", "turns.counted"}),
    run=check,
)


def _against(job: Job, asked: StemTurns, left: StemLeft, out: Run) -> Finding:
    count = out.settle(asked)
    since = _adjustments(job, left, out)
    entries = (*left.entries, *(fact.id for fact in since), *count.entries)
    expected = left.turns + adjusted(since)
    as_left = f"left with {plain(left.turns)} turns engaged on {job.day(left.at)}"
    if since:
        as_left += f", adjusted by {signed(adjusted(since))} since: {plain(expected)}"
    if isinstance(count, Unsettled):
        says = f"Turns out now: {count.why}; {as_left}."
        return _finding(verdict="inconclusive", says=says, advice=count.advice, entries=entries)
    return _compared(asked, count, count.turns - expected, as_left, entries)


def _compared(asked: StemTurns, count: Settled, d: Decimal, as_left: str, entries: tuple[str, ...]) -> Finding:
    touched = not within(d, asked.tolerance.si)
    reason = ": the setting was touched between rebuilds, or a turn was lost in counting" if touched else ""
    shown = {"value": plain(d), "unit": "turn"}
    return _finding(
        verdict="nonconforming" if touched else "conforming",
        measured={**shown, "si": shown},
        required={"tolerance": asked.tolerance.shown()},
        says=(
            f"{plain(count.turns)} turns out now ({count.people}); {as_left}. Difference {signed(d)} turn, tolerance "
            f"{asked.tolerance}{reason}."
        ),
        advice="Ask who adjusted it, and record the adjustment." if touched else None,
        entries=entries,
    )


def _adjustments(job: Job, left: StemLeft, out: Run) -> list[Fact[SettingAdjusted]]:
    """What was done to the setting since it was left, before the stem was turned out: between rebuilds, and in this."""
    before = out.facts[0].at
    outside = [fact for fact in Facts(job.between).of(SettingAdjusted) if left.at < fact.at <= before]
    return [*outside, *(fact for fact in job.facts.of(SettingAdjusted) if fact.at <= before)]
