"""The house keeps its order: who may import whom, how long a file may get, and nothing of anybody's machine in it."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SERVICE = sorted((ROOT / "service").rglob("*.py"))
ROOMS = sorted(path.parent.name for path in (ROOT / "service").glob("*/__init__.py"))
MOST_LINES = 250
LONGER = {
    "service/entries/words.py": (255, "every word that entries are made of"),
    "service/entries/quantity.py": (400, "a table of units"),
    "service/entries/work.py": (320, "one model for each entry type, read side by side"),
    "service/ledger/admit.py": (330, "every rule of admission, read as one list"),
    "service/ledger/append.py": (390, "the only way in, read from the lock to the answer"),
    "service/ledger/due.py": (285, "anchor, calendar, usage and periods are one piece of arithmetic"),
    "service/ledger/answers.py": (270, "the views as the wire shows them; the next addition splits it"),
}
MOST_LINES_OF_A_FUNCTION = 50


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


class TestImports:
    def test_every_contract_of_the_house_is_kept(self) -> None:
        lint = (
            "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True, no_logo=True))"
        )
        done = subprocess.run([sys.executable, "-c", lint], cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr

    def test_none_of_the_rules_is_missing(self) -> None:
        """What the house asks for, as far as imports can show it."""
        contracts = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]["contracts"]
        layers = next(one for one in contracts if one["type"] == "layers")
        assert layers["exhaustive"]
        assert layers["layers"][-1] == "entries"
        assert any(one["type"] == "acyclic_siblings" and one["ancestors"] == ["service"] for one in contracts)
        rules = {
            (source, target)
            for one in contracts
            if one["type"] == "forbidden"
            for source in one["source_modules"]
            for target in one["forbidden_modules"]
        }
        assert ("service", "pint") in rules
        assert ("service.api", "service.store") in rules
        for room in ("checks", "merkle", "entries"):
            assert {(f"service.{room}", name) for name in ("fastapi", "sqlalchemy", "sqlmodel", "httpx")} <= rules
        for pure in ("admit", "due", "entry", "judge", "rebuild", "register"):
            assert (f"service.ledger.{pure}", "service.store") in rules
        for room in set(ROOMS) - {"field", "entries"}:
            assert ("service.field", f"service.{room}") in rules
        for room in set(ROOMS) - {"cli"}:
            assert (f"service.{room}", "service.settings") in rules


class TestFiles:
    @pytest.mark.parametrize("path", SERVICE, ids=name_of)
    def test_a_file_is_read_at_a_sitting(self, path: Path) -> None:
        most, _ = LONGER.get(name_of(path), (MOST_LINES, ""))
        assert len(path.read_text("utf-8").splitlines()) <= most

    def test_the_longer_ones_are_still_there_and_still_longer(self) -> None:
        for name in LONGER:
            assert len((ROOT / name).read_text("utf-8").splitlines()) > MOST_LINES, f"{name} needs no exception"

    def test_a_function_is_seen_at_a_glance(self) -> None:
        long = [
            f"{name_of(path)}: {node.name}"
            for path in SERVICE
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and (node.end_lineno or 0) - node.lineno >= MOST_LINES_OF_A_FUNCTION
        ]
        assert long == ["service/store/migrations/versions/0001_ledger_and_views.py: make_tables"], "a list of tables"

    def test_no_file_is_named_for_what_did_not_fit_elsewhere(self) -> None:
        refused = {"utils", "util", "helpers", "helper", "common", "misc", "crud", "schemas", "manager", "base"}
        assert [name_of(path) for path in SERVICE if path.stem in refused] == []

    def test_every_room_has_its_tests(self) -> None:
        rooms = {path.parent.name for path in (ROOT / "tests").glob("*/test_*.py")}
        assert set(ROOMS) <= rooms


def tracked() -> Iterator[Path]:
    """Every file of the project; outside a checkout, what is in the folders that make it up."""
    if (ROOT / ".git").exists() and (git := shutil.which("git")):
        found = subprocess.run([git, "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
        yield from (ROOT / name.decode() for name in found.split(b"\0") if name and (ROOT / name.decode()).is_file())
    else:
        for folder in ("service", "tests", "demo_data", "openapi", "docker"):
            yield from (path for path in (ROOT / folder).rglob("*") if path.is_file() and path.suffix != ".pyc")


def test_no_file_names_a_folder_of_somebodys_machine() -> None:
    own = re.compile(r"(?<![\w.])/(?:home|root|work|Users)/[\w.-]")
    for path in tracked():
        try:
            text = path.read_text("utf-8")
        except UnicodeDecodeError:
            continue
        found = own.search(text)
        assert found is None, f"{name_of(path)}: {text[found.start() : found.start() + 40]!r}" if found else ""
