"""The stranger's tool, built from `go_verifier/` with the packages that Debian has."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SOURCE = Path(__file__).with_name("go_verifier")
GOPATH = Path("/usr/share/gocode")


def built(temporary: pytest.TempPathFactory) -> Path:
    """The program; where it cannot be had the test says so. What Go compiles on the way is shared by all who ask."""
    go = shutil.which("go")
    if go is None:
        pytest.skip("no Go here: install Debian's golang-go and golang-golang-x-mod-dev")
    if not (GOPATH / "src/golang.org/x/mod/sumdb/tlog").is_dir():
        pytest.skip(f"no golang.org/x/mod under {GOPATH}: install Debian's golang-golang-x-mod-dev")
    folder, shared = temporary.mktemp("go"), temporary.getbasetemp().parent
    program = folder / "go_verifier"
    environment = os.environ | {
        "GO111MODULE": "off",
        "GOPATH": str(GOPATH),
        "GOCACHE": str(shared / "go-cache"),
        "GOFLAGS": "",
        "GOTOOLCHAIN": "local",
    }
    done = subprocess.run(
        [go, "build", "-o", str(program), "."], cwd=SOURCE, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return program
