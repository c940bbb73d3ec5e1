"""Closed, and signed for by a second person. Common practice, no published source; the procedure asks for it."""

import pytest

from service.checks.job import Fact
from service.checks.sign_off import SIGN_OFF, check
from service.entries.work import EntryCorrected
from tests.checks.job_for_order import (
    closed,
    countersigned,
    fact,
    found,
    job,
    local,
    q,
    rebuild,
    verdicts,
    without,
)

WORK = without(rebuild(), "rebuild.closed", "rebuild.countersigned")


def signed(*facts, closing=None, corrections=(), **procedure):
    """The finding about the countersignature of the whole rebuild, closed at 15:30 by ruth."""
    judged = job([*WORK, closing or closed(), *facts], procedure=procedure, corrections=corrections)
    return found(check, judged)["countersignature"]


def corrected(clock, credential="bench tablet"):
    data = EntryCorrected.model_validate(
        {"entry": "0199a0aa-0000-7000-8000-000000000001", "reason": "read the wrong line", "withdrawn": True}
    )
    return Fact(f"correction {clock}", "entry.corrected", local(clock), data, "ruth", credential)


def test_closed_and_countersigned_by_another_person_conforms():
    assert verdicts(check, job(rebuild())) == {"closing": "conforming", "countersignature": "conforming"}


def test_the_finding_says_who_signed_what_and_when():
    findings = found(check, job(rebuild()))
    assert findings["closing"].says == "Closed 15:30:00-02:30, returned to service by ruth."
    assert findings["countersignature"].says == (
        "Countersigned 16:00:00-02:30 by maud (authorised person); it covers what is dated up to then."
    )


def test_a_fact_dated_before_the_signature_changes_nothing_whenever_it_arrived_and_nothing_more_is_claimed():
    late = fact("part.fitted", "13:59:00", part="bias spring", new=False)
    before, after = (found(check, job(facts))["countersignature"] for facts in (rebuild(), [*rebuild(), late]))
    assert before == after
    assert "everything" not in after.says


def test_where_no_countersignature_is_asked_only_the_closing_counts():
    assert verdicts(check, job([*WORK, closed()], procedure={"countersign": None})) == {"closing": "conforming"}


# Closing.
def test_an_open_rebuild_is_not_signed_off():
    findings = found(check, job(WORK))
    assert {finding.verdict for finding in findings.values()} == {"inconclusive"}
    assert "Not closed yet" in findings["countersignature"].says


@pytest.mark.parametrize("outcome", ["left_out_of_service", "aborted"])
def test_a_rebuild_that_ends_badly_is_closed_all_the_same(outcome):
    ended = fact("rebuild.closed", "15:30:00", outcome=outcome, reason="seat creeps")
    finding = found(check, job([*WORK, ended]))["closing"]
    assert finding.verdict == "conforming"
    assert outcome.replace("_", " ") in finding.says


def test_work_that_happened_after_the_closing_is_told():
    late = [
        fact("setting.adjusted", "15:40:00", turns=q("0.1 turn")),
        fact("torque.applied", "15:35:00", joint="bonnet", torque=q("45 N.m")),
    ]
    finding = found(check, job([*rebuild(), *late]))["closing"]
    assert finding.verdict == "inconclusive"
    assert "2 recorded as happening after it, first torque.applied at 15:35:00-02:30" in finding.says


def test_work_in_the_second_of_the_closing_is_not_after_it():
    same = fact("step.done", "15:30:00", step=3)
    assert found(check, job([*rebuild(), same]))["closing"].verdict == "conforming"


AFTERTHOUGHTS = [
    fact("note.added", "16:10:00", text="spare kit ordered"),
    fact("notice.given", "16:10:00", to=["ward 2"], when="after"),
    fact("finding.accepted", "16:10:00", check="torque", subject="bonnet", reason="no stock", authority="engineer"),
    countersigned("16:10:00", by="olav", credential="olav's own"),
]


@pytest.mark.parametrize("afterthought", AFTERTHOUGHTS, ids=lambda one: one.type)
def test_notes_notices_concessions_and_signatures_may_follow_closing_and_countersignature(afterthought):
    assert set(verdicts(check, job([*rebuild(), afterthought])).values()) == {"conforming"}


# Who may countersign.
def test_no_countersignature_is_missing_and_the_advice_says_who_signs_what():
    finding = signed()
    assert finding.verdict == "inconclusive"
    assert "somebody outside the crew, who did no work, countersign what is recorded" in finding.advice
    assert "own credential" in finding.advice
    assert "own credential" not in signed(countersign={}).advice


@pytest.mark.parametrize(
    ("by", "why"),
    [
        ("ruth", "the person who closed"),
        ("iver", "one of the crew"),
        ("Ruth", "the person who closed"),
        ("IVER", "one of the crew"),
    ],
)
def test_who_closed_or_belongs_to_the_crew_cannot_countersign(by, why):
    finding = signed(countersigned(by=by))
    assert finding.verdict == "nonconforming"
    assert why in finding.says


@pytest.mark.parametrize("by", ["nils", "NILS"])
def test_a_job_handed_over_has_two_crews_and_neither_countersigns(by):
    """Nils has recorded nothing; a note says that the job was handed over to him."""
    handed_over = fact("note.added", "14:00:00", text="Handed over, seat fitted", crew=["nils", "maud"])
    assert signed(countersigned(by=by)).verdict == "conforming"
    finding = signed(handed_over, countersigned(by=by))
    assert (finding.verdict, "one of the crew" in finding.says) == ("nonconforming", True)
    assert "one of the crew" in signed(handed_over, countersigned(by="iver")).says


def test_a_note_that_names_nobody_hands_nothing_over():
    assert (
        signed(fact("note.added", "14:00:00", text="nils looked in"), countersigned(by="nils")).verdict == "conforming"
    )


def test_who_did_any_of_the_work_cannot_countersign_it():
    hand = fact("torque.applied", "14:08:00", joint="bonnet", torque=q("45 N.m"), by="maud")
    finding = signed(hand, countersigned())
    assert finding.verdict == "nonconforming"
    assert "did some of the work (torque.applied at 14:08:00-02:30)" in finding.says


@pytest.mark.parametrize("who", [{"counted_by": "maud"}, {"agreed_by": ["iver", "Maud"]}])
def test_who_counted_did_some_of_the_work_whoever_held_the_tablet(who):
    count = fact("turns.counted", "15:00:00", direction="in", turns=q("8 turn"), by="ruth", **who)
    finding = signed(count, countersigned())
    assert finding.verdict == "nonconforming"
    assert "did some of the work (turns.counted at 15:00:00-02:30)" in finding.says


def test_who_opened_the_rebuild_or_told_the_wards_did_no_work():
    told = fact("notice.given", "12:50:00", to=["ward 2"], when="before", by="clerk", credential="office")
    assert signed(told, countersigned(by="clerk")).verdict == "conforming"


def test_a_signature_that_names_nobody_cannot_be_told():
    assert signed(countersigned(by=None)).verdict == "inconclusive"


def test_a_closing_that_names_nobody_leaves_open_whether_it_was_another_person():
    finding = signed(countersigned(), closing=closed(by=None))
    assert finding.verdict == "inconclusive"
    assert "the closing does not say by whom" in finding.says


# With which credential.
def test_the_credential_of_the_work_is_not_their_own():
    finding = signed(countersigned(credential="bench tablet"))
    assert finding.verdict == "nonconforming"
    assert "a credential that recorded the work too" in finding.says


def test_a_shared_credential_does_where_the_procedure_does_not_ask_for_their_own():
    assert signed(countersigned(credential="bench tablet"), countersign={}).verdict == "conforming"


def test_a_credential_that_is_not_known_cannot_be_told():
    assert signed(countersigned(credential=None)).verdict == "inconclusive"


def test_their_own_concession_and_note_do_not_spoil_their_credential():
    own = {"by": "maud", "credential": "maud's own"}
    note = fact("note.added", "15:50:00", text="seen the seat", **own)
    assert signed(note, countersigned("15:55:00"), countersigned()).verdict == "conforming"


# Over everything recorded, by when things happened.
@pytest.mark.parametrize(
    ("clock", "verdict"), [("15:29:59", "inconclusive"), ("15:30:00", "conforming"), ("15:30:01", "conforming")]
)
def test_it_is_signed_at_or_after_the_closing(clock, verdict):
    assert signed(countersigned(clock)).verdict == verdict


@pytest.mark.parametrize(
    ("clock", "verdict"), [("15:59:59", "conforming"), ("16:00:00", "conforming"), ("16:00:01", "inconclusive")]
)
def test_a_later_correction_wants_a_new_countersignature(clock, verdict):
    assert signed(countersigned(), corrections=(corrected(clock),)).verdict == verdict


def test_the_stale_signature_says_what_it_does_not_cover():
    finding = signed(countersigned(), corrections=(corrected("16:30:00"),))
    assert finding.says == (
        "16:00:00-02:30 by maud: before the entry.corrected of 16:30:00-02:30, which it does not cover."
    )
    assert finding.advice.startswith("Have somebody outside the crew")


def test_a_new_countersignature_after_the_correction_settles_it():
    again = countersigned("09:00:00", day="2026-06-10")
    finding = signed(countersigned(), again, corrections=(corrected("16:30:00"),))
    assert finding.verdict == "conforming"
    assert "2026-06-10 09:00:00-02:30" in finding.says


def test_a_fact_that_happened_after_the_signature_is_not_covered_by_it():
    late = fact("torque.applied", "16:20:00", joint="bonnet", torque=q("45 N.m"))
    assert signed(countersigned(), late).verdict == "inconclusive"


def test_a_second_closing_later_is_not_covered_either():
    assert signed(countersigned(), closed("16:20:00")).verdict == "inconclusive"


# Several.
def test_one_valid_signature_is_enough_beside_one_that_is_not():
    assert signed(countersigned("15:45:00", by="iver"), countersigned()).verdict == "conforming"


def test_a_stale_signature_by_the_right_person_is_a_matter_of_signing_again():
    stale = countersigned("15:20:00")
    assert signed(countersigned("15:45:00", by="iver"), stale).verdict == "inconclusive"


def test_the_wrong_person_does_not_become_right_by_signing_too_early():
    assert signed(countersigned("15:20:00", by="iver")).verdict == "nonconforming"


def test_without_an_opening_there_is_no_crew_but_workers_are_known():
    facts = without(rebuild(), "rebuild.opened")
    assert found(check, job(facts))["countersignature"].verdict == "conforming"


def test_the_catalogue_row_covers_every_correction():
    assert SIGN_OFF.name == "sign_off"
    assert "every correction" in SIGN_OFF.formula
