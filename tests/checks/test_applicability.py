"""The procedure is for this kind of asset, and the work is recorded for it. Common practice, no published source."""

import pytest

from service.checks.applicability import APPLICABILITY, check
from tests.checks.job_for_order import fact, isolated, job, q, read, rebuild


def asset(*more, applies_to=("bank_regulator",), **register):
    register = {"parent": "OX2", **register}
    judged = job([*rebuild(), *more], procedure={"applies_to": list(applies_to)}, register=register)
    (finding,) = check(judged)
    assert (finding.check, finding.subject, finding.counts) == ("applicability", "asset", True)
    return finding


def of(asset, one):
    return one._replace(asset=asset)


TORQUE = fact("torque.applied", "14:08:00", joint="bonnet", torque=q("45 N.m"))


def test_a_procedure_for_this_kind_of_asset_fits():
    finding = asset()
    assert finding.verdict == "conforming"
    assert finding.says == "SG-7 is for a bank regulator, and OX2-LB is one; all work is recorded for OX2-LB."


def test_a_procedure_for_another_kind_of_asset_does_not():
    finding = asset(kind="manifold", applies_to=("bank_regulator", "line_regulator"))
    assert finding.verdict == "nonconforming"
    assert finding.says == "SG-7 is for a bank regulator or a line regulator; OX2-LB is a manifold."
    assert finding.advice.startswith("Correct the opening")


def test_a_procedure_that_names_no_kind_fits_anything():
    finding = asset(applies_to=())
    assert finding.verdict == "not_applicable"
    assert finding.says == "SG-7 names no kind of asset; all work is recorded for OX2-LB."


@pytest.mark.parametrize(
    "work",
    [
        TORQUE,
        fact("part.removed", "13:41:00", part="main seat"),
        fact("part.fitted", "13:59:00", part="main seat", new=True),
        fact("turns.counted", "14:13:00", direction="in", turns=q("9.5 turn")),
        fact("lubricant.applied", "13:59:00", lubricant="PFPE"),
        fact("setting.adjusted", "14:27:00", turns=q("0.1 turn")),
        fact("lockup.tested", "15:06:00", flowing=q("880 kPa"), readings=[{"after": "PT1M", "pressure": q("901 kPa")}]),
    ],
    ids=lambda work: work.type,
)
@pytest.mark.parametrize("stranger", ["OX2-RB", "OX2"])
def test_work_recorded_for_another_asset_proves_nothing_about_this_one(work, stranger):
    finding = asset(of(stranger, work))
    assert finding.verdict == "inconclusive"
    assert f"But {work.type} at " in finding.says
    assert f"is recorded for {stranger}." in finding.says
    assert finding.entries[1:] == (work.id,)
    assert asset(of(stranger, work), applies_to=()).verdict == "inconclusive"
    assert work.type in APPLICABILITY.reads


def test_a_pressure_as_left_and_a_leak_test_may_name_the_manifold_above_but_no_other_bank():
    left = read("15:14:00", "outlet", "as_left", "881.0 kPa", flow="flowing")
    tight = fact("leak.tested", "14:56:00", method="bubble", section="header", result="no_bubbles")
    for proof in (left, tight):
        assert asset(of("OX2", proof)).verdict == "conforming"
        assert asset(of("OX2-RB", proof)).verdict == "inconclusive"


@pytest.mark.parametrize(
    "about", [isolated("13:11:00"), read("13:50:00", "line", "during", "870 kPa"), fact("bank.restored", "14:21:00")]
)
def test_isolating_restoring_and_readings_meanwhile_may_be_about_the_companion_bank(about):
    assert asset(of("OX2-RB", about)).verdict == "conforming"


def test_the_wrong_kind_is_worse_than_a_stray_entry_and_both_are_told():
    finding = asset(of("OX2-RB", TORQUE), kind="manifold")
    assert finding.verdict == "nonconforming"
    assert "torque.applied at 14:08:00-02:30 is recorded for OX2-RB" in finding.says


def test_many_strays_are_counted():
    strays = [of("OX2-RB", TORQUE._replace(id=f"{number}")) for number in range(5)]
    assert asset(*strays).says.endswith("recorded for OX2-RB, and 2 more.")
