"""Concessions: somebody with the authority accepts a finding as it is; it stands beside the verdict and changes none.

Common practice, no published source.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.api.shapes import RebuildShape
from tests.api import scenario
from tests.api.desk import Desk, problem
from tests.api.scenario import HERE, REBUILD, entry

SUPERVISOR = HERE | {"by": "sup-01"}


def conceded(clock: str = "12:01:00", check: str = "parts", **more: Any) -> Any:
    said = {"reason": "no spare on the coast", "authority": "authorising engineer", **more}
    return entry("finding.accepted", clock, **SUPERVISOR, check=check, **said)


def told(desk: Desk) -> Any:
    rebuild = desk.get(f"/rebuilds/{REBUILD}").json()
    RebuildShape.model_validate(rebuild)
    return rebuild


def concession(desk: Desk) -> Any:
    (one,) = told(desk)["concessions"]
    return one


def beside(desk: Desk) -> dict[str, list[str]]:
    """By finding, the concessions shown beside it."""
    return {
        f"{one['check']}, {one['subject']}": [each["entry"] for each in one["accepted"]]
        for one in told(desk)["findings"]
        if one["accepted"]
    }


@pytest.fixture
def left_out(either_desk: Desk) -> Desk:
    """A rebuild closed and countersigned, with the spring left out by the record: nonconforming."""
    without = [one for one in scenario.WORK if (one["type"], one["data"].get("part")) != ("part.fitted", "spring")]
    either_desk.record(*({**scenario.DEFAULTS, **one} for one in without))
    assert told(either_desk)["verdict"] == "nonconforming"
    return either_desk


def test_it_stands_beside_its_finding_and_the_verdict_stays_what_it_was(left_out: Desk) -> None:
    before = told(left_out)
    receipt = left_out.record(conceded(subject="spring"))
    (id_,) = [one["id"] for one in receipt["accepted"]]
    after = told(left_out)
    assert (after["verdict"], after["judged"][0]["verdict"]) == ("nonconforming", "nonconforming")
    assert beside(left_out) == {"parts, spring": [id_]}
    assert (concession(left_out)["standing"], concession(left_out)["entry"]) == ("stands", id_)
    bare = [{name: value for name, value in one.items() if name != "accepted"} for one in before["findings"]]
    assert [{name: value for name, value in one.items() if name != "accepted"} for one in after["findings"]] == bare


def test_it_is_named_beside_what_was_judged_and_is_no_part_of_that(left_out: Desk) -> None:
    judged_before = told(left_out)["judged"]
    size = left_out.size()
    (id_,) = [one["id"] for one in left_out.record(conceded(subject="spring"))["accepted"]]
    assert left_out.size() == size + 1, "a concession changes no verdict, so that nothing is judged again"
    (judged,) = told(left_out)["judged"]
    assert judged["accepted"] == [id_]
    assert judged["findings"] == judged_before[0]["findings"]


def test_it_resets_no_due_date(left_out: Desk) -> None:
    def due() -> Any:
        return [(one["asset"], one["due_on"], one["anchor"]) for one in left_out.get("/due").json()["items"]]

    before = due()
    left_out.record(conceded(subject="spring"))
    assert due() == before


def test_one_without_a_subject_is_about_all_that_the_check_found_wanting(left_out: Desk) -> None:
    (id_,) = [one["id"] for one in left_out.record(conceded())["accepted"]]
    assert beside(left_out)["parts, spring"] == [id_]
    assert concession(left_out)["standing"] == "stands"


def test_one_about_a_finding_that_does_not_exist_is_on_record_and_says_so(left_out: Desk) -> None:
    left_out.record(conceded(subject="sprnig"))
    assert beside(left_out) == {}
    one = concession(left_out)
    assert (one["standing"], one["says"]) == ("no_such_finding", "No check of this rebuild has such a finding.")


def test_one_whose_finding_was_settled_afterwards_has_nothing_left_to_accept(left_out: Desk) -> None:
    """The part had been fitted after all: the slip of paper arrives."""
    left_out.record(conceded(subject="spring"))
    left_out.record(entry("part.fitted", "09:02:00", **HERE, part="spring", new=False, cleaned=True))
    rebuild = told(left_out)
    assert concession(left_out)["standing"] == "settled"
    assert "nothing left to accept" in concession(left_out)["says"]
    spring = next(one for one in rebuild["findings"] if (one["check"], one["subject"]) == ("parts", "spring"))
    assert spring["verdict"] == "conforming"
    first, *_, last = rebuild["judged"]
    assert len(first["accepted"]) == 1, "what it was about is still to be seen"
    assert last["accepted"] == []


def test_one_that_came_before_its_finding_stands_as_soon_as_there_is_one(either_desk: Desk) -> None:
    either_desk.record(conceded(subject="spring"))
    assert concession(either_desk)["standing"] == "no_such_finding"
    without = [one for one in scenario.WORK if (one["type"], one["data"].get("part")) != ("part.fitted", "spring")]
    either_desk.record(*({**scenario.DEFAULTS, **one} for one in without))
    assert concession(either_desk)["standing"] == "stands"


def test_it_is_withdrawn_by_a_correction_and_stays_readable(left_out: Desk) -> None:
    (id_,) = [one["id"] for one in left_out.record(conceded(subject="spring"))["accepted"]]
    left_out.record(entry("entry.corrected", "13:00:00", by="sup-01", entry=id_, reason="a spare was found",
                          withdrawn=True))  # fmt: skip
    assert beside(left_out) == {}
    one = concession(left_out)
    assert (one["standing"], one["reason"]) == ("withdrawn", "no spare on the coast")
    assert told(left_out)["judged"][0]["accepted"] == []


def test_withdrawing_it_wants_the_scope_that_gave_it(left_out: Desk) -> None:
    (id_,) = [one["id"] for one in left_out.record(conceded(subject="spring"))["accepted"]]
    records = left_out.token_for("read", "record")
    withdrawal = entry("entry.corrected", "13:00:00", entry=id_, reason="not so", withdrawn=True)
    problem(left_out.post("/entries", withdrawal, token=records), 403)
    problem(left_out.post("/entries", conceded("12:30:00"), token=records), 403)
    assert concession(left_out)["standing"] == "stands"


def test_one_corrected_to_another_subject_moves_there(left_out: Desk) -> None:
    (id_,) = [one["id"] for one in left_out.record(conceded(subject="sprnig"))["accepted"]]
    data = {"check": "parts", "subject": "spring", "reason": "no spare on the coast", "authority": "engineer"}
    left_out.record(
        entry("entry.corrected", "13:00:00", by="sup-01", entry=id_, reason="slip", replacement={"data": data})
    )
    assert beside(left_out) == {"parts, spring": [id_]}
    assert (concession(left_out)["standing"], concession(left_out)["authority"]) == ("stands", "engineer")


def test_a_finding_that_rests_on_something_later_is_not_the_one_that_was_accepted(either_desk: Desk) -> None:
    """A joint accepted at 60 ft.lbf was corrected to 80: the concession was about the 60."""
    over = [{**one, "data": {**one["data"], "torque": scenario.q("60.0 ft.lbf")}}
            if one["data"].get("stage") == "final" else one for one in scenario.WORK]  # fmt: skip
    either_desk.record(*({**scenario.DEFAULTS, **one} for one in over))
    either_desk.record(conceded(check="torque", subject="bonnet"))
    assert (concession(either_desk)["standing"], concession(either_desk)["later"]) == ("stands", [])
    torque = next(one for one in told(either_desk)["facts"] if one["data"].get("stage") == "final")
    data = torque["data"] | {"torque": scenario.q("80.0 ft.lbf")}
    receipt = either_desk.record(
        entry("entry.corrected", "12:30:00", by="tech-05", entry=torque["id"], reason="misread", replacement={"data": data})
    )  # fmt: skip
    one = concession(either_desk)
    assert (one["standing"], one["later"]) == ("stands", [receipt["accepted"][0]["id"]])
    assert "what was accepted is not what is found now" in one["says"]
