"""A job that grows is judged as if it had been judged afresh, whatever order its facts arrive in."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from service.checks.job import Facts, Job
from service.entries.asset import AssetRegistered
from service.entries.procedure import ProcedurePublished
from service.ledger.entry import Entry
from service.ledger.judge import judge
from service.ledger.rebuild import plain_fact
from service.merkle.canonical import canonical
from tests.bench import scene
from tests.bench.rows.judge import _instruments

WORK = [
    plain_fact(Entry.read(seq, canonical({**sent, "facility": "bench", "credential": "t", "seq": seq})))
    for seq, sent in enumerate(scene.rebuild(60), 1)
    if sent["type"] != "entry.corrected"
]


def job(facts, instruments) -> Job:
    register = AssetRegistered.model_validate(dict(scene.REGISTER)[scene.BANK])
    return Job(ProcedurePublished.model_validate(scene.PROCEDURE), register, Facts(facts), instruments)


@pytest.mark.parametrize("seed", range(4))
def test_a_growing_job_is_judged_as_if_afresh_in_any_order_of_arrival(seed):
    opening = [fact for fact in WORK if fact.type == "rebuild.opened"]  # before it there is no job
    facts, instruments = [fact for fact in WORK if fact not in opening], _instruments()
    if seed:
        random.Random(seed).shuffle(facts)  # noqa: S311 - an order of arrival, no secret
    growing = job(opening, instruments)
    judged = judge(growing)
    for count, fact in enumerate(facts, 1):
        growing = growing.grown(growing.facts.joined_by([fact]), growing.instruments)
        judged = judge(growing, judged, {fact.type})
        afresh = judge(job([*opening, *facts[:count]], instruments))
        assert judged.findings == afresh.findings, fact.id
        assert (judged.text, judged.verdict) == (afresh.text, afresh.verdict)


def test_another_certificate_is_another_answer_though_no_fact_is_new():
    known = _instruments()
    growing = job(WORK, known)
    before = {finding.subject: finding.says for finding in judge(growing).findings if finding.check == "torque"}
    worse = replace(
        known["W-5"],
        calibrations=tuple(
            one.model_copy(update={"as_left_error_percent": "5.0"}) for one in known["W-5"].calibrations
        ),
    )
    grown = growing.grown(growing.facts, {**known, "W-5": worse})
    after = {finding.subject: finding.says for finding in judge(grown).findings if finding.check == "torque"}
    assert {subject for subject, says in after.items() if says != before[subject]} == {"carrier", "cap"}


def test_a_job_under_another_procedure_remembers_nothing_of_this_one():
    here = job(WORK, _instruments())
    judge(here)
    assert here._kept
    assert not replace(here, procedure=here.procedure)._kept


def test_what_looks_at_the_same_is_not_worked_out_again():
    worked, here = [], job(WORK, _instruments())

    def work_out():
        worked.append(1)
        return len(worked)

    torque = next(fact for fact in WORK if fact.type == "torque.applied")
    with_note = here.grown(here.facts.joined_by([torque._replace(id="x", type="note.added")]), here.instruments)
    with_torque = with_note.grown(with_note.facts.joined_by([torque._replace(id="y")]), with_note.instruments)
    answers = [one.recall("n", one.seen("torque.applied"), work_out) for one in (here, with_note, with_torque)]
    assert answers == [1, 1, 2]
