"""What a check reads: facts of other types leave its answer as it was, so it is not asked again when they come."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from service.checks.job import Fact, Facts, Job
from service.entries.asset import AssetRegistered
from service.entries.catalogue import ENTRY_TYPES
from service.entries.procedure import ProcedurePublished
from service.entries.words import Moment
from service.ledger.judge import judge
from tests.checks.building import instrument
from tests.ledger.scenario import CERTIFICATES, GAUGE, PROCEDURE, REGULATOR, WRENCH, q, rebuild

ASKED = {
    **PROCEDURE,
    "leak_test": {"sections": ["outlet"], "limit": q("0.005 Pa.m3/s")},
    "before": [*PROCEDURE["before"], ["notice.given", "bank.isolated"], ["zero_pressure:dome", "part.removed"]],
}
KNOWN = {
    model["instrument"]: instrument(model, [{name: said for name, said in paper.items() if name != "instrument"}])
    for model, paper in zip((WRENCH, GAUGE), CERTIFICATES, strict=True)
}
EMPTY = Job(
    ProcedurePublished.model_validate(ASKED),
    AssetRegistered.model_validate(REGULATOR),
    Facts(),
    KNOWN,
    zone=ZoneInfo("America/Halifax"),
)


def _fact(number, one):
    data = ENTRY_TYPES[one["type"]].data.model_validate(one["data"])
    return Fact(f"{number:02}", one["type"], Moment(one["occurred_at"]).at, data, one["by"], "tablet", one["asset"])


WHOLE = [_fact(number, one) for number, one in enumerate(rebuild())]


@st.composite
def arrivals(draw):
    """Facts of a rebuild, some of them told twice at other times of its day and the next, as they come in."""
    facts = [
        replace(fact, id=f"{fact.id} again", at=fact.at.replace(day=15, hour=draw(st.integers(0, 23))))
        for fact in draw(st.lists(st.sampled_from(WHOLE), max_size=8, unique_by=lambda fact: fact.id))
    ]
    return draw(st.permutations([*facts, *draw(st.lists(st.sampled_from(WHOLE[1:]), unique_by=lambda fact: fact.id))]))


@settings(max_examples=40, deadline=None)
@given(arrivals(), st.integers(1, 4))
def test_asking_only_the_checks_that_read_what_is_new_comes_to_what_asking_all_of_them_does(facts, at_a_time):
    told, before = Facts(WHOLE[:1]), None  # nothing is judged before the entry that opens it has come
    for place in range(0, len(facts), at_a_time):
        new = facts[place : place + at_a_time]
        told = told.joined_by(new)
        before = judge(replace(EMPTY, facts=told), before, {fact.type for fact in new})
        assert before.findings == judge(replace(EMPTY, facts=Facts(told))).findings
