"""What the README promises: commands, excerpts, examples, the settings table."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest
from typer.testing import CliRunner

from service.api.bulk import Bounds
from service.cli import app
from service.entries.lines import MOST_LINE_BYTES
from service.ledger.importing import LONGEST_WAIT
from service.settings import Settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
OPEN = "01999a70-3c08-74f5-92d4-08b7e4f10930"


class Block(NamedTuple):
    language: str
    text: str


def blocks(heading: str) -> list[Block]:
    """The fenced blocks under a heading, in order."""
    section = re.split(rf"^## {re.escape(heading)}$", README, flags=re.MULTILINE)[1]
    section = re.split(r"^## ", section, maxsplit=1, flags=re.MULTILINE)[0]
    return [Block(*found) for found in re.findall(r"^```(\w+)\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)]


def sent_with_curl(command: str, environment: dict[str, str]) -> Any:
    """A curl line as a shell runs it; where the machine has no curl, the same request by another way."""
    if shutil.which("curl") and shutil.which("sh"):
        done = subprocess.run(
            ["sh", "-c", command],  # noqa: S607 - the machine's own shell
            env={**os.environ, **environment, "NO_PROXY": "127.0.0.1"},
            cwd=ROOT, capture_output=True, check=True, timeout=30,
        )  # fmt: skip
        return json.loads(done.stdout)
    return requested(command, environment)


def requested(command: str, environment: dict[str, str]) -> Any:
    """The request that a curl line makes: its options, as far as the README uses them."""
    body, headers, address = None, {}, ""
    words: Iterator[str] = iter(shlex.split(command.replace("\\\n", " ")))
    assert next(words) == "curl"
    for word in words:
        if word == "-H":
            name, _, value = next(words).partition(": ")
            headers[name] = value.replace("$TOKEN", environment["TOKEN"])
        elif word in {"-d", "--data-binary"}:
            body = next(words)
        elif word != "-sS":
            address = word.replace("$URL", environment["URL"])
    content = (ROOT / body[1:]).read_bytes() if body and body.startswith("@") else body
    with httpx.Client(trust_env=False, headers=headers) as http:
        return (http.post(address, content=content) if content else http.get(address)).raise_for_status().json()


def missing(shown: Any, answered: Any) -> Any:
    """What the README shows and the service did not answer; it may show less, never other."""
    if isinstance(shown, dict) and isinstance(answered, dict):
        wrong = {name: missing(value, answered.get(name)) for name, value in shown.items()}
        return {name: what for name, what in wrong.items() if what is not None} or None
    if isinstance(shown, list) and isinstance(answered, list) and len(shown) == len(answered):
        return [what for pair in zip(shown, answered, strict=True) if (what := missing(*pair)) is not None] or None
    return None if shown == answered else {"shown": shown, "answered": answered}


@pytest.fixture
def environment(played) -> dict[str, str]:
    return {"URL": played.url, "TOKEN": played.tokens["technician"]}


def test_it_opens_with_the_job_in_one_paragraph_and_then_the_two_commands():
    title, paragraph, heading = README.split("\n\n")[:3]
    assert title == "# Witness Mark"
    assert "\n#" not in paragraph
    assert heading == "## Two commands"
    assert blocks("Two commands") == [
        Block("sh", "python3 -m venv .venv && .venv/bin/pip install -q -e . && .venv/bin/witnessmark demo\n"),
        Block("sh", "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/pytest\n"),
    ]


def test_the_excerpts_are_what_the_demo_prints_in_its_order(printed):
    lines = iter(printed.out.splitlines())
    for language, excerpt in blocks("What you see"):
        assert language == "text"
        for line in excerpt.splitlines():
            assert line == "…" or line in lines, f"the demo does not print (or not in this order): {line}"


def test_the_late_reading_posted_with_curl_settles_what_it_is_said_to_settle(environment, played):
    late, answer, *_ = blocks("For a field script")
    before = played.people["visitor"].rebuild(OPEN)
    assert "regulator outlet" in {one["subject"] for one in before["findings"] if one["verdict"] == "inconclusive"}
    receipt = sent_with_curl(late.text, environment)
    assert missing(json.loads(answer.text), receipt) is None
    assert [one["replayed"] for one in receipt["accepted"]] == [False]
    assert [one["replayed"] for one in sent_with_curl(late.text, environment)["accepted"]] == [True]
    assert [one["replayed"] for one in requested(late.text, environment)["accepted"]] == [True]


def test_a_whole_file_posted_with_curl_is_taken_as_it_stands(environment):
    whole = blocks("For a field script")[2]
    for answered in (sent_with_curl(whole.text, environment), requested(whole.text, environment)):
        assert {one["replayed"] for one in answered["accepted"]} == {True}


def test_lines_are_answered_as_shown_and_answer_as_before_when_sent_again(environment):
    command, shown, *_ = blocks("For a whole history")
    for status in (201, 200):
        answered = by_the_line(command.text, environment)
        wanted = json.loads(shown.text)
        wanted[0] |= {"status": status, "replayed": status == 200}
        assert missing(wanted, answered) is None


def by_the_line(command: str, environment: dict[str, str]) -> list[Any]:
    """The lines that are piped into curl, sent by it, or where the machine has none by another way; the answer's lines."""
    if shutil.which("curl") and shutil.which("sh"):
        done = subprocess.run(
            ["sh", "-c", command],  # noqa: S607 - the machine's own shell
            env={**os.environ, **environment, "NO_PROXY": "127.0.0.1"},
            cwd=ROOT, capture_output=True, check=True, timeout=30,
        )  # fmt: skip
        return [json.loads(line) for line in done.stdout.splitlines()]
    words = shlex.split(command.replace("\\\n", " ").replace("|", " "))
    body = "\n".join(word for word in words if word.startswith("{"))
    headers = {"Authorization": f"Bearer {environment['TOKEN']}", "Content-Type": "application/x-ndjson"}
    address = words[-3].replace("$URL", environment["URL"])
    with httpx.Client(trust_env=False, headers=headers) as http:
        return [json.loads(line) for line in http.post(address, content=body).raise_for_status().text.splitlines()]


def test_the_python_client_streams_entries_and_says_which_are_new(environment, monkeypatch):
    told = python_example("For a whole history", environment, monkeypatch).splitlines()
    assert told == [f"{number} recorded before" for number in range(1, len(told) + 1)]
    assert told


def test_the_longest_line_and_the_patience_it_names_are_those_of_the_code():
    assert f"({MOST_LINE_BYTES:,} bytes)" in README
    assert (Bounds().silence, LONGEST_WAIT) == (60, 20)


def python_example(heading: str, environment: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> str:
    """What the section's example in Python prints."""
    (example,) = [block.text for block in blocks(heading) if block.language == "python"]
    for name, value in {**environment, "NO_PROXY": "127.0.0.1"}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(ROOT)
    printed, names = StringIO(), {"__name__": "example"}
    with redirect_stdout(printed):
        exec(compile(example, f"README, {heading}", "exec"), names)  # noqa: S102 - our own README
    for value in names.values():
        if isinstance(value, httpx.Client):
            value.close()
    return printed.getvalue()


def test_the_python_client_posts_a_file_and_says_what_is_open(environment, monkeypatch):
    told = python_example("For a field script", environment, monkeypatch).splitlines()
    assert told[0] == "0 of 30 entries were new"
    assert "turns, stem: Have 1 more count, or record a count agreed by 2." in told


def test_an_integrator_reads_the_judgements_in_the_order_of_the_ledger(environment, monkeypatch):
    told = [line.split() for line in python_example("For an integrator", environment, monkeypatch).splitlines()]
    assert [int(seq) for seq, *_ in told] == sorted(int(seq) for seq, *_ in told)
    assert ["OXM1-LB", "BR-7", "conforming"] in [rest for _, *rest in told]
    assert ["OXM1-RB", "BR-7", "nonconforming"] in [rest for _, *rest in told]


def test_a_paper_is_stored_and_named_by_an_entry_as_shown(environment, monkeypatch):
    for _ in range(2):  # run again it changes nothing
        told = python_example("Photographs and papers", environment, monkeypatch).splitlines()
        assert told == ["slip.txt 41 bytes, stored"]


def test_a_dashboard_gets_the_answer_that_is_shown(environment):
    question, answer = blocks("For a dashboard")
    for answered in (sent_with_curl(question.text, environment), requested(question.text, environment)):
        assert answered == json.loads(answer.text)


def test_running_it_for_real_works_as_written(tmp_path, monkeypatch):
    monkeypatch.setenv("WITNESSMARK_DATABASE_URL", f"sqlite:///{tmp_path}/ledger.sqlite3")
    (commands,) = blocks("Running it for real")
    *once, serve = [shlex.split(line)[1:] for line in commands.text.splitlines()]
    said = [CliRunner().invoke(app, command, catch_exceptions=False) for command in once]
    assert [result.exit_code for result in said] == [0, 0, 0]
    assert said[-1].stdout.startswith("wmk_")
    assert CliRunner().invoke(app, [*serve, "--help"]).exit_code == 0


def test_keys_exports_and_proofs_work_as_written(tmp_path, monkeypatch):
    monkeypatch.setenv("WITNESSMARK_DATABASE_URL", f"sqlite:///{tmp_path}/ledger.sqlite3")
    monkeypatch.chdir(tmp_path)
    before, *_ = blocks("Running it for real")
    commands, shown = blocks("Keys, exports and proofs")
    lines = before.text.splitlines()[:2] + commands.text.splitlines()
    said = [CliRunner().invoke(app, shlex.split(line)[1:], catch_exceptions=False) for line in lines]
    assert [result.exit_code for result in said] == [0] * len(lines)
    verified = said[-2].stdout.splitlines()
    assert len(verified) == len(shown.text.splitlines())
    for line, found in zip(shown.text.splitlines(), verified, strict=True):
        assert found.startswith(line.partition("…")[0]), found


def _default(value):
    return "–" if value is None else f"`{value}`"


def test_the_settings_table_is_the_one_in_the_code():
    rows = [line for line in README.splitlines() if line.startswith("| `WITNESSMARK_")]
    assert rows == [
        f"| `WITNESSMARK_{name.upper()}` | {_default(setting.default)} | {setting.description} |"
        for name, setting in Settings.model_fields.items()
    ]


def test_files_it_names_are_there():
    for name in re.findall(r"(?:demo_data|openapi)/[\w./-]*\w", README):
        assert (ROOT / name).exists(), name


def test_cautions_come_with_the_titles_to_look_them_up_in():
    safety = README.partition("## Safety")[2]
    for title in ("ASTM G93/G93M", "ISO 15001", "CGA G-4.1", "NFPA 99", "HTM 02-01", "ISO 7396-1", "ISO 10524-2"):
        assert title in safety
    assert "not permission to return a system to service" in safety


def test_the_interpreter_it_asks_for_is_the_one_declared():
    assert 'requires-python = ">=3.11"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert sys.version_info >= (3, 11)
