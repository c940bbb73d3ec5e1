"""A correction changes what holds, and hides nothing: the original and every rival stay readable."""

from __future__ import annotations

import itertools

import pytest

from service.entries.refusals import NotAFact
from service.ledger import answers
from service.ledger.judge import digest_of
from tests.ledger.scenario import DAY, REBUILD, SEAT_FITTED, corrected, entry, find, q, rebuild

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
WHOLE = rebuild()
OPENING, CLOSING = find(WHOLE, "rebuild.opened"), find(WHOLE, "rebuild.closed")
BONNET = find(WHOLE, "torque.applied", joint="bonnet")
LOW = {**BONNET["data"], "torque": q("36.0 N.m")}
GOOD = {**BONNET["data"], "torque": q("61.0 N.m")}


def shown(bench, rebuild_id=REBUILD):
    """The rebuild as a caller is told of it."""
    with bench.store.reading() as tx:
        return answers.one_rebuild(tx, bench.facility, rebuild_id)


def fact(bench, id_):
    return next(one for one in shown(bench)["facts"] if one["id"] == id_)


def bonnet(bench):
    return bench.finding("torque", "bonnet")


def test_replaced_data_hold_and_what_was_recorded_stays_beside_them(bench):
    bench.post(WHOLE)
    bench.post(corrected(BONNET["id"], why="typed 60, the slip says 36", data=LOW))
    assert (bonnet(bench)["verdict"], bonnet(bench)["measured"]["value"]) == ("nonconforming", "36.0")
    assert bonnet(bench)["entries"] == [BONNET["id"]]
    told = fact(bench, BONNET["id"])
    assert told["data"] == BONNET["data"]
    assert told["holds_instead"]["data"] == LOW
    (correction,) = shown(bench)["corrections"]
    assert (correction["entry"], correction["holds"], correction["why_not"]) == (BONNET["id"], True, None)
    assert (correction["reason"], correction["by"]) == ("typed 60, the slip says 36", "otto")


def test_a_replaced_time_holds(bench):
    bench.post(WHOLE)
    bench.post(corrected(BONNET["id"], why="clock an hour fast", occurred_at=f"{DAY}T09:45:00-03:00"))
    order = bench.finding("order", "torque.applied before bank.restored")
    assert order["verdict"] == "nonconforming"
    told = fact(bench, BONNET["id"])
    assert told["occurred_at"] == f"{DAY}T09:14:00-03:00"
    assert told["holds_instead"]["occurred_at"] == "2026-07-14T12:45:00.000000Z"


def test_a_replaced_name_holds(bench):
    bench.post(WHOLE)
    bench.post(corrected(CLOSING["id"], by="ruth"))
    assert bench.finding("sign_off", "countersignature")["verdict"] == "nonconforming", (
        "she cannot sign her own closing"
    )
    assert fact(bench, CLOSING["id"])["holds_instead"]["by"] == "ruth"


def test_a_withdrawn_fact_is_gone_from_the_judgement_and_not_from_the_record(bench):
    bench.post(WHOLE)
    bench.post(corrected(BONNET["id"], withdrawn=True))
    assert bonnet(bench)["verdict"] == "inconclusive"
    told = fact(bench, BONNET["id"])
    assert (told["data"], told["withdrawn"], told["holds_instead"]) == (BONNET["data"], True, None)


def test_a_correction_wants_a_new_countersignature(bench):
    bench.post(WHOLE)
    bench.post(corrected(BONNET["id"], "11:00", data=GOOD))
    assert (bonnet(bench)["verdict"], bench.rebuild().verdict) == ("conforming", "inconclusive")
    assert bench.finding("sign_off", "countersignature")["verdict"] == "inconclusive"
    bench.post(entry("rebuild.countersigned", "11:30", {"role": "authorised person"}, by="ruth", **HERE))
    assert bench.rebuild().verdict == "conforming"


def test_two_counters_who_disagreed_are_settled_by_a_correction(bench):
    other_count = find(WHOLE, "turns.counted", direction="out", counted_by="otto")
    mistaken = {**other_count["data"], "turns": q("7.5 turn")}
    bench.post([{**one, "data": mistaken} if one is other_count else one for one in WHOLE[:-2]])
    assert bench.finding("turns", "stem")["verdict"] == "inconclusive"
    bench.post(corrected(other_count["id"], "09:00", why="recounted on the thread", data=other_count["data"]))
    assert bench.finding("turns", "stem")["verdict"] == "conforming"
    bench.post(WHOLE[-2:])
    assert bench.rebuild().verdict == "conforming"


# Rivals


RIVALS = [
    {**corrected(BONNET["id"], "11:00", data=LOW), "id": "01981000-0000-7000-8000-000000000f01"},
    {**corrected(BONNET["id"], "11:05", withdrawn=True), "id": "01981000-0000-7000-8000-000000000f02"},
    {**corrected(BONNET["id"], "11:10", data=GOOD), "id": "01981000-0000-7000-8000-000000000f03"},
    {**corrected(BONNET["id"], "11:10", by="otto"), "id": "01981000-0000-7000-8000-000000000f00"},
]


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))), ids=lambda order: "".join(map(str, order)))
def test_of_rivals_the_greatest_by_time_and_id_holds_whatever_order_they_arrive_in(quick_bench, order):
    quick_bench.post(WHOLE)
    for place in order:
        quick_bench.post(RIVALS[place])
    assert bonnet(quick_bench)["measured"]["value"] == "61.0"
    told = {one["id"][-3:]: (one["holds"], one["why_not"]) for one in shown(quick_bench)["corrections"]}
    assert told == {
        "f00": (False, "made at the same time as the one that holds, which has the greater id"),
        "f01": (False, "a later correction holds"),
        "f02": (False, "a later correction holds"),
        "f03": (True, None),
    }


def test_a_correction_is_never_corrected_and_the_refusal_says_what_to_do(bench):
    bench.post([*WHOLE, RIVALS[0]])
    with pytest.raises(NotAFact) as refused:
        bench.post(corrected(RIVALS[0]["id"], "11:20", withdrawn=True))
    assert [(fault.pointer, fault.code, fault.detail) for fault in refused.value.faults] == [
        (
            "/data/entry",
            "cannot_be_corrected",
            "a correction is never corrected: post another correction of the same entry, dated later",
        )
    ]


def test_a_rival_that_does_not_fit_gives_way_to_the_next(bench):
    misfit = {**corrected(BONNET["id"], "11:30", data={"part": "seat"}), "id": RIVALS[1]["id"]}
    bench.post([misfit, RIVALS[0], *WHOLE])
    assert bonnet(bench)["measured"]["value"] == "36.0"
    told = {one["id"]: (one["holds"], one["why_not"]) for one in shown(bench)["corrections"]}
    assert told == {
        misfit["id"]: (False, "its replacement is no data of torque.applied"),
        RIVALS[0]["id"]: (True, None),
    }


# Before their target


def test_a_correction_waits_for_its_target(bench):
    waiting = [corrected(BONNET["id"], data=LOW), corrected(SEAT_FITTED["id"], withdrawn=True, why="never fitted")]
    bench.post([{**waiting[0], **HERE}, waiting[1]])
    assert shown(bench)["corrections"][0]["why_not"] == "its target is not recorded yet"
    bench.post(WHOLE)
    assert bonnet(bench)["measured"]["value"] == "36.0"
    assert [one["holds"] for one in shown(bench)["corrections"]] == [True, True]
    assert fact(bench, SEAT_FITTED["id"])["withdrawn"] is True


@pytest.mark.parametrize(
    ("data", "why_not"),
    [
        ({"replacement": {"data": {"torque": "much"}}}, "its replacement is no data of torque.applied"),
        ({"withdrawn": True, "asset": "AIR1"}, "its asset is not that of its target"),
        (
            {"withdrawn": True, "rebuild": "01981000-0000-7000-8000-0000000000bb"},
            "its rebuild is not that of its target",
        ),
    ],
)
def test_one_that_does_not_fit_what_then_arrives_has_no_effect_and_says_why(bench, data, why_not):
    about = {name: data[name] for name in ("asset", "rebuild") if name in data}
    way = {name: data[name] for name in data if name not in about}
    bench.post(entry("entry.corrected", "11:00", {"entry": BONNET["id"], "reason": "slip", **way}, **about))
    bench.post(WHOLE)
    assert bonnet(bench)["verdict"] == "conforming"
    assert [(one["holds"], one["why_not"]) for one in shown(bench)["corrections"]] == [(False, why_not)]


def test_the_half_that_is_null_keeps_nothing_from_being_recorded(bench):
    """An explicit null is what some scripts send for what they leave out."""
    for target, way in ((BONNET, {"withdrawn": True, "replacement": None}), (SEAT_FITTED, {"withdrawn": None})):
        replacement = {} if "replacement" in way else {"replacement": {"by": "otto"}}
        bench.post(entry("entry.corrected", "11:00", {"entry": target["id"], "reason": "slip", **way, **replacement}))
    bench.post(WHOLE)
    assert bonnet(bench)["verdict"] == "inconclusive"
    assert [one["holds"] for one in shown(bench)["corrections"]] == [True, True]


def test_a_correction_that_puts_a_rebuild_under_a_procedure_of_later_waits_for_that_too(bench):
    opening = {**OPENING["data"], "procedure": "BR-4"}
    bench.post(corrected(OPENING["id"], data=opening))
    bench.post(WHOLE)
    assert bench.rebuild().state == "unopened"
    bench.post(entry("procedure.published", "07:00", {"code": "BR-4", "revision": 1, "title": "Another"}))
    assert (bench.rebuild().state, bench.rebuild().procedure) == ("closed", "BR-4")
    assert len(bench.judged()) == 1
    live = bench.contents()
    assert bench.replayed() == live


# Opening and closing


def test_a_corrected_opening_is_judged_by_the_other_revision(bench):
    stricter = {
        "code": "BR-3",
        "revision": 2,
        "title": "T",
        "joints": [{"joint": "bonnet", "low": q("70 N.m"), "high": q("75 N.m")}],
    }
    bench.post(entry("procedure.published", "07:00", stricter))
    bench.post(WHOLE)
    bench.post(corrected(OPENING["id"], data={**OPENING["data"], "revision": 2}))
    assert (bench.rebuild().revision, bench.rebuild().verdict) == (2, "nonconforming")
    assert "band 70.000 to 75.000" in bonnet(bench)["says"]
    assert "parts" not in {one["check"] for one in bench.findings() if one["verdict"] != "not_applicable"}


def test_a_withdrawn_closing_opens_the_rebuild_again(bench):
    bench.post(WHOLE)
    bench.post(corrected(CLOSING["id"], "10:10", withdrawn=True))
    assert (bench.rebuild().state, bench.rebuild().verdict, bench.rebuild().closed_us) == ("open", "inconclusive", None)
    assert [(one["state"], one["verdict"]) for one in bench.judged()] == [
        ("closed", "conforming"),
        ("open", "inconclusive"),
    ]
    bench.post(entry("step.done", "10:20", {"step": 2}, **HERE))
    bench.post(entry("rebuild.closed", "10:25", {"outcome": "returned_to_service"}, by="ines", **HERE))
    assert (bench.rebuild().state, bench.rebuild().verdict) == ("closed", "conforming")


def test_a_withdrawn_opening_leaves_facts_that_nobody_can_judge(bench):
    bench.post(WHOLE)
    bench.post(corrected(OPENING["id"], withdrawn=True))
    assert (bench.rebuild().state, bench.rebuild().asset) == ("unopened", None)
    assert [(one["check"], one["subject"]) for one in bench.findings()] == [("sign_off", "opening")]
    assert bench.due("2026-07-20")[0]["anchor"] == "2023-02-01"
    bench.post({**OPENING, "id": "01981000-0000-7000-8000-000000000f0a"})
    assert bench.rebuild().verdict == "inconclusive", "the correction came after the countersignature"


def test_a_corrected_outcome_counts(bench):
    bench.post(WHOLE)
    assert (bench.asset("AIR1-LB").out_of_service, bench.due("2026-07-20")[0]["anchor"]) == (False, DAY)
    bench.post(corrected(CLOSING["id"], data={"outcome": "left_out_of_service"}))
    assert bench.rebuild().outcome == "left_out_of_service"
    assert (bench.asset("AIR1-LB").out_of_service, bench.due("2026-07-20")[0]["anchor"]) == (True, "2023-02-01")


def test_what_a_correction_undoes_a_later_one_can_redo_to_the_very_same_judgement(bench):
    bench.post(WHOLE[:-1])
    bench.post(corrected(BONNET["id"], "10:10", withdrawn=True))
    bench.post(corrected(BONNET["id"], "10:20", data=BONNET["data"]))
    bench.post(WHOLE[-1])
    assert bench.rebuild().verdict == "conforming"
    first, gone, back, signed = bench.judged()
    assert (first["verdict"], gone["verdict"], back["verdict"]) == ("inconclusive",) * 3
    assert digest_of(first) == digest_of(back) != digest_of(gone)
    assert signed["verdict"] == "conforming"


# Beyond rebuilds


def test_a_corrected_meter_reading_counts_in_the_due_list(bench):
    by_usage = [{"procedure": "BR-3", "meter": "changeovers", "usage": "400"}]
    bench.post(entry("asset.amended", "07:00", {"patch": {"service": by_usage}}, asset="AIR1-LB"))
    readings = [("2026-01-01", "1000"), ("2026-07-01", "1181")]
    for day, count in readings:
        receipt = bench.post(
            entry("meter.read", "09:00", {"meter": "changeovers", "reading": count}, asset="AIR1", day=day)
        )
    # 181 in 181 days is 1 a day: 400 after the first reading are reached 400 days after 2026-01-01
    assert (bench.due("2026-07-20")[0]["why"], bench.due("2026-07-20")[0]["due_on"]) == ("usage", "2027-02-05")
    bench.post(corrected(receipt.accepted[0].id, data={"meter": "changeovers", "reading": "1362"}))
    # 362 in 181 days is 2 a day: they are reached after 200 days
    assert (bench.due("2026-07-20")[0]["why"], bench.due("2026-07-20")[0]["due_on"]) == ("usage", "2026-07-20")


def test_a_corrected_registration_and_a_withdrawn_amendment_show_in_the_register(bench):
    receipt = bench.post(
        [
            entry("asset.registered", "07:00", {"kind": "manifold", "gas": "oxygen"}, asset="OX1"),
            entry("asset.amended", "07:01", {"patch": {"location": "Yard"}}, asset="OX1"),
        ]
    )
    registered, amended = (one.id for one in receipt.accepted)
    bench.post(corrected(registered, data={"kind": "manifold", "gas": "nitrogen"}))
    assert (bench.asset("OX1").gas, "Yard" in bench.asset("OX1").body) == ("nitrogen", True)
    bench.post(corrected(amended, withdrawn=True))
    assert "Yard" not in bench.asset("OX1").body


def test_a_withdrawn_retirement_brings_the_asset_back(bench):
    receipt = bench.post(entry("asset.retired", "07:00", {}, asset="AIR1-LB"))
    assert bench.due("2026-07-20") == []
    bench.post(corrected(receipt.accepted[0].id, withdrawn=True))
    assert [one["asset"] for one in bench.due("2026-07-20")] == ["AIR1-LB"]


def test_assets_that_corrections_hung_below_each_other_are_survived(bench):
    """A circle cannot be registered, but amendments that come and go may leave one."""
    for tag in ("A", "B"):
        bench.post(entry("asset.registered", "07:00", {"kind": "manifold", "gas": "oxygen"}, asset=tag))
    bench.post(entry("asset.amended", "07:01", {"patch": {"parent": "B"}}, asset="A"))
    loosened = bench.post(entry("asset.amended", "07:02", {"patch": {"parent": None}}, asset="A"))
    plan = [{"procedure": "BR-3", "meter": "hours", "usage": "5"}]
    bench.post(entry("asset.amended", "07:03", {"patch": {"parent": "A", "service": plan}}, asset="B"))
    bench.post(corrected(loosened.accepted[0].id, withdrawn=True))
    assert (bench.asset("A").parent, bench.asset("B").parent) == ("B", "A")
    bench.post(entry("meter.read", "09:00", {"meter": "changeovers", "reading": "1"}, asset="A"))
    assert "B" in {one["asset"] for one in bench.due("2026-07-20")}


def test_a_signature_is_not_put_into_another_name_by_one_who_may_not_sign(bench):
    signature = {**find(WHOLE, "rebuild.countersigned"), "by": "ines"}
    early = corrected(signature["id"], by="ruth")
    bench.post(early, scopes=["record"])
    bench.post([*(one for one in WHOLE if one["type"] != "rebuild.countersigned"), signature])
    assert bench.finding("sign_off", "countersignature")["verdict"] == "nonconforming", "ines was of the crew"
    (told,) = shown(bench)["corrections"]
    assert (told["holds"], told["why_not"]) == (
        False,
        "it was recorded without the scope countersign, which rebuild.countersigned wants",
    )


def test_one_who_may_sign_corrects_a_signature_before_it_comes(bench):
    signature = {**find(WHOLE, "rebuild.countersigned"), "by": "ines"}
    bench.post(corrected(signature["id"], "10:29", by="ruth"), scopes=["record", "countersign"])
    bench.post([*(one for one in WHOLE if one["type"] != "rebuild.countersigned"), signature])
    assert bench.finding("sign_off", "countersignature")["verdict"] == "conforming"
