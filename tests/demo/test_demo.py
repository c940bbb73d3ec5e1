"""The first command: a real process, a real service, the main job, in less than twenty seconds."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from service.checks.catalogue import CHECKS
from service.cli.demo import Scenario

ROOT = Path(__file__).parents[2]
ALB = "0198c1f2-5d80-7b6a-8e11-4a2d90c0a819"
"""OXM1-LB in 2025: two counters disagree, put right, conforming."""
ARB = "01992e51-9a40-7d0c-b3f8-71c65e0b0909"
"""OXM1-RB: a torque in the wrong unit, a bearing ball left out."""
BAD_DAY = "019977a2-1d40-7e55-9b06-52c8a7d00923"
"""OXE3-RB: a leak that warmth hid, a wrench that was dropped, O-rings past their life, too little gas."""
OPEN = "01999a70-3c08-74f5-92d4-08b7e4f10930"
"""AIM2-LB: not finished."""
EARLIER = "5b1f6b1e-6f0d-4c0e-9a53-6c0f2b7e2209"
"""OXM1-LB in 2022."""


def findings(played, rebuild: str, check: str) -> dict[str, dict]:
    found = played.people["visitor"].rebuild(rebuild)["findings"]
    return {finding["subject"]: finding for finding in found if finding["check"] == check}


def test_the_demo_ends_well_within_twenty_seconds(printed):
    assert (printed.code, printed.err) == (0, "")
    assert printed.seconds < 20


def test_the_demo_tells_each_verdict_in_words_the_worst_first(printed):
    told = re.findall(r"^([A-Z ]+): (\S+), rebuild of (\S+)$", printed.out, re.MULTILINE)
    assert told == [
        ("NONCONFORMING", "OXE3-RB", "2025-09-23"),
        ("NONCONFORMING", "OXM1-RB", "2025-09-09"),
        ("INCONCLUSIVE SO FAR", "AIM2-LB", "2025-09-30"),
        ("CONFORMING", "OXM1-LB", "2025-08-19"),
        ("CONFORMING", "OXM1-LB", "2022-09-06"),
    ]


def test_the_demo_tells_each_finding_with_its_arithmetic(printed, played):
    flowing = " ".join(printed.out.split())
    for rebuild in played.rebuilds:
        for finding in played.people["visitor"].rebuild(rebuild)["findings"]:
            assert finding["says"] in flowing
            if finding["verdict"] in {"nonconforming", "inconclusive"}:
                assert f"To do: {finding['advice']}" in flowing
            assert f"{finding['check']}: {finding['source']}" in flowing


def test_the_demo_says_what_is_overdue_and_due_and_as_of_which_day(printed):
    due = printed.out.partition("Due list as of 2025-10-01")[2]
    assert re.findall(r"^  (OVERDUE|DUE): (\S+), BR-7, due (\S+), (.+)$", due, re.MULTILINE) == [
        ("OVERDUE", "OXM1-RB", "2024-11-15", "320 days over"),
        ("OVERDUE", "AIM2-RB", "2025-08-21", "41 days over"),
        ("DUE", "AIM2-LB", "2025-11-24", "54 days left"),
    ]


def test_the_demo_gives_address_tokens_and_a_line_to_try_and_ends_with_the_caution(printed):
    assert re.search(r"http://127\.0\.0\.1:\d+/docs", printed.out)
    assert len(set(re.findall(r"export TOKEN=(wmk_\S+)", printed.out))) == 2
    assert 'curl -sS -H "Authorization: Bearer $TOKEN"' in printed.out
    assert "not permission to return a system to service" in " ".join(printed.out.split()[-60:])


def test_the_demo_fits_eighty_columns_and_needs_no_colour(printed):
    assert [line for line in printed.out.splitlines() if len(line) > 80] == []
    assert "\x1b" not in printed.out


def test_every_file_is_accepted_as_it_stands_and_posted_again_changes_nothing(played, scenario: Scenario):
    for post, body in zip(scenario.posts, scenario.bodies, strict=True):
        receipt = played.people[post["sent_by"]].post(body["entries"], defaults=body.get("defaults"))
        assert (len(receipt.accepted), receipt.new) == (len(body["entries"]), 0), post["file"]


def test_every_file_of_the_scenario_is_played(scenario: Scenario):
    files = {str(path.relative_to(ROOT / "demo_data")) for path in (ROOT / "demo_data").rglob("*.json")}
    assert files == {post["file"] for post in scenario.posts} | {"demo.json"}


def test_counts_that_disagreed_were_settled_by_an_agreed_one(played):
    turns = findings(played, ALB, "turns")["stem"]
    assert turns["verdict"] == "conforming"
    assert turns["says"].startswith("7.5 turns out (tech-03 and tech-11), 7.5 in")
    counted = [fact["data"]["turns"]["value"] for fact in played.people["visitor"].rebuild(ALB)["facts"]
               if fact["type"] == "turns.counted" and fact["data"]["direction"] == "out"]  # fmt: skip
    assert counted == ["7.5", "39", "45"]  # the disagreement stays on record


def test_the_stem_stood_where_the_rebuild_three_years_before_had_left_it(played):
    continuity = findings(played, ALB, "stem_continuity")["stem"]
    assert (continuity["verdict"], continuity["counts"]) == ("conforming", False)
    assert "left with 7.25 + 0.25 = 7.5 turns engaged on 2022-09-06" in continuity["says"]


def test_two_joints_in_two_unit_systems_conform(played):
    joints = findings(played, ALB, "torque")
    assert {name: joint["measured"]["unit"] for name, joint in joints.items()} == {
        "seat retainer": "N.m",
        "bonnet": "ft.lbf",
    }
    assert {joint["verdict"] for joint in joints.values()} == {"conforming"}


def test_a_torque_in_the_wrong_unit_is_named_and_a_part_left_out_is_missed(played):
    bonnet, ball = findings(played, ARB, "torque")["bonnet"], findings(played, ARB, "parts")["bearing ball"]
    assert (bonnet["verdict"], ball["verdict"]) == ("nonconforming", "nonconforming")
    assert "34.0 N.m would be in it: was the unit written down wrongly?" in bonnet["advice"]
    assert "1 left out by the record" in ball["says"]


def test_a_day_on_which_much_went_wrong_is_told_check_by_check(played):
    found = {(one["check"], one["subject"]): one for one in played.people["visitor"].rebuild(BAD_DAY)["findings"]}
    assert {key for key, one in found.items() if one["verdict"] == "nonconforming"} == {
        ("soft_goods_life", "stem O-ring"),
        ("instrument", "TW-15"),
        ("leak", "outlet"),
        ("endurance", "companion bank"),
        ("functions", "relief valve"),
    }
    assert "hid the leak from the gauge" in found["leak", "outlet"]["says"]
    assert found["torque", "bonnet"]["verdict"] == "conforming"  # by the certificate; the drop is the instrument's


def test_every_check_of_the_catalogue_is_seen_at_work(played):
    seen = {one["check"] for rebuild in played.rebuilds for one in played.people["visitor"].rebuild(rebuild)["findings"]
            if one["verdict"] != "not_applicable"}  # fmt: skip
    assert seen == {check.name for check in CHECKS}


def test_an_unfinished_rebuild_is_inconclusive_for_what_it_lacks(played):
    rebuild = played.people["visitor"].rebuild(OPEN)
    assert (rebuild["state"], rebuild["verdict"]) == ("open", "inconclusive")
    assert not [one for one in rebuild["findings"] if one["verdict"] == "nonconforming"]
    outlet = findings(played, OPEN, "zero_pressure")["regulator outlet"]
    assert outlet["verdict"] == "inconclusive"
    assert "hold 5 min wanted" in outlet["says"]


def test_a_figure_mistyped_in_2022_was_corrected_and_stays_readable(played):
    rebuild = played.people["visitor"].rebuild(EARLIER)
    assert rebuild["verdict"] == "conforming"
    (correction,) = rebuild["corrections"]
    corrected = next(fact for fact in rebuild["facts"] if fact["id"] == correction["entry"])
    assert (corrected["data"]["torque"]["value"], corrected["holds_instead"]["data"]["torque"]["value"]) == (
        "12.0",
        "22.0",
    )


@pytest.mark.parametrize(
    ("as_of", "states"),
    [
        ("2025-06-20", "not_due overdue not_due not_due no_baseline not_due"),  # OXM1-LB three years after 2022
        ("2025-07-20", "due overdue not_due due no_baseline not_due"),
        ("2025-10-01", "not_due overdue due overdue no_baseline not_due"),
        ("2026-11-25", "not_due overdue overdue overdue no_baseline due"),
        ("2028-08-20", "overdue overdue overdue overdue no_baseline overdue"),
    ],
)
def test_the_due_list_tells_something_on_any_day(played, as_of, states):
    items = {item["asset"]: item["state"] for item in played.people["visitor"].due(as_of=as_of)}
    tags = ("OXM1-LB", "OXM1-RB", "AIM2-LB", "AIM2-RB", "OXE3-LB", "OXE3-RB")
    assert " ".join(items[tag] for tag in tags) == states


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_the_demo_serves_until_interrupted_and_leaves_nothing_behind(how, tmp_path):
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "service", "demo"],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8",
        env={"PATH": "", "TMPDIR": str(tmp_path), "PYTHONUTF8": "1"},
    )  # fmt: skip
    with process:
        assert process.stdout is not None
        seen = ""
        for line in process.stdout:
            seen += line
            if line.startswith("Serving until interrupted"):
                break
        address = re.search(r"export URL=(\S+)", seen)
        token = re.search(r"export TOKEN=(\S+)", seen)
        assert address
        assert token
        with httpx.Client(trust_env=False) as http:
            due = http.get(f"{address[1]}/v1/facilities/orrin-bay/due", headers={"Authorization": f"Bearer {token[1]}"})
        assert due.status_code == 200
        assert list(tmp_path.glob("witnessmark-demo-*"))
        process.send_signal(how)
        assert process.wait(timeout=10) == 0
        assert "Traceback" not in process.stdout.read()
    assert list(tmp_path.glob("witnessmark-demo-*")) == []


def test_a_port_that_is_taken_is_told_in_a_line(played):
    port = played.url.rpartition(":")[2]
    done = subprocess.run(
        [sys.executable, "-m", "service", "demo", "--once", "--port", port],
        cwd=ROOT, capture_output=True, text=True, encoding="utf-8", timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    assert f"port {port} cannot be had" in done.stderr
    assert "Traceback" not in done.stderr
