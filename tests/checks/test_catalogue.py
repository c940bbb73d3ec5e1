"""The catalogue: what it names, what the documents show of it, and that a check reads what it says it reads."""

from __future__ import annotations

import ast
import re
from datetime import timedelta
from pathlib import Path

import pytest

from service.checks.catalogue import CHECKS, EDITION, table
from service.checks.finding import COMMON_PRACTICE, FROM_MEMORY, Check
from service.checks.job import Fact, Facts, Job
from service.entries.asset import AssetRegistered
from service.entries.catalogue import ENTRY_TYPES
from service.entries.procedure import ProcedurePublished
from service.entries.words import Moment
from service.ledger.answers import checks
from service.ledger.judge import judge
from tests.api import scenario
from tests.checks.building import instrument

ROOT = Path(__file__).parents[2]
NAMES = [
    "applicability", "zero_pressure", "turns", "stem_continuity", "torque", "parts", "soft_goods_life", "lubricant", "instrument", "leak",
    "lockup", "creep", "delivered_pressure", "supply", "endurance", "functions", "order", "sign_off",
]  # fmt: skip
"""What the work is about, then the wire contract's, in its order."""


def facts(*without: str) -> list[Fact]:
    """The scenario's rebuild, which has an entry of every type that a rebuild can have."""
    made = [*scenario.WORK, *(one for one in scenario.BESIDE if one.get("rebuild"))]
    return [
        Fact(f"{number:03}", one["type"], Moment(one["occurred_at"]).at, ENTRY_TYPES[one["type"]].data.model_validate(one["data"]),
             one.get("by", "tech-03"), "tablet", "OX2-LB")
        for number, one in enumerate(made)
        if one["type"] not in without
    ]  # fmt: skip


def job(*without: str) -> Job:
    records = [
        instrument(data, [{name: value for name, value in paper.items() if name != "instrument"}
                          for paper in scenario.CALIBRATIONS if paper["instrument"] == data["instrument"]])
        for data in scenario.INSTRUMENTS
    ]  # fmt: skip
    register = {name: value for name, value in scenario.REGULATOR.items() if name != "tag"}
    return Job(
        ProcedurePublished.model_validate(scenario.PROCEDURE),
        AssetRegistered.model_validate(register),
        Facts(facts(*without)),
        {record.model.instrument: record for record in records},
    )


def test_every_check_of_the_contract_is_there_in_its_order():
    assert [check.name for check in CHECKS] == NAMES
    assert re.fullmatch(r"\d{4}\.\d+", EDITION)


def test_the_catalogue_over_http_gives_formula_and_source_of_each():
    told = checks()
    assert told["edition"] == EDITION
    assert [row["check"] for row in told["items"]] == NAMES
    assert all(row["decides"] and row["formula"] and row["source"] for row in told["items"])


def test_the_table_of_the_readme_is_the_catalogues():
    """``witnessmark checks`` prints it anew."""
    assert table() in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_a_source_from_memory_or_from_custom_says_so(check: Check):
    assert FROM_MEMORY in check.source or COMMON_PRACTICE in check.source


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_each_check_asked_for_what_the_scenario_recorded_answers(check: Check):
    findings = list(check.run(job()))
    assert findings
    assert {finding.check for finding in findings} == {check.name}
    assert len({finding.subject for finding in findings}) == len(findings)
    assert all(finding.says.endswith(".") and finding.source == check.source for finding in findings)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_what_a_check_does_not_read_cannot_change_its_answer(check: Check):
    """Else a rebuild judged entry by entry would stand otherwise than one judged at once."""
    whole = list(check.run(job()))
    for type_ in {fact.type for fact in facts()} - check.reads - {"rebuild.opened"}:  # nothing is judged before it
        assert list(check.run(job(type_))) == whole, type_


def test_a_rebuild_judged_entry_by_entry_stands_like_one_judged_at_once():
    opening, *rest = sorted(facts(), key=lambda fact: (fact.type != "rebuild.opened", fact.at))
    so_far, held, judged = job(), [opening], None
    for fact in (None, *rest):
        held += [fact] if fact else []
        now = Job(so_far.procedure, so_far.register, Facts(held), so_far.instruments)
        judged = judge(now, judged, {fact.type}) if judged and fact else judge(now)
        assert judged.findings == judge(now).findings, fact


def test_a_check_is_small_and_pure():
    """One file each, at most 250 lines, and nothing imported but the words and its neighbours."""
    for check in CHECKS:
        path = ROOT / "service" / "checks" / f"{check.name}.py"
        tree = ast.parse(path.read_text(encoding="utf-8"))
        rooms = {node.module.split(".")[1] for node in ast.walk(tree)
                 if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("service.")}  # fmt: skip
        assert rooms <= {"checks", "entries"}
        assert len(ast.get_docstring(tree) or "") > 200, "formula, symbols and source stand in the docstring"


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_a_check_that_tells_the_time_reads_what_opens_the_rebuild(check: Check):
    """A time of day is told with its day where that is not the day of the opening."""
    earlier = [
        fact._replace(id="earlier", at=fact.at - timedelta(days=1)) for fact in facts() if fact.type == "rebuild.opened"
    ]
    whole, moved = job(), job()
    moved = Job(moved.procedure, moved.register, Facts([*facts(), *earlier]), moved.instruments)
    if "rebuild.opened" not in check.reads:
        assert list(check.run(moved)) == list(check.run(whole))
