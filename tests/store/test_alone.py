"""An SQLite file takes one serving process; its lock goes with that process, however it ends."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from service.store.alone import InUse
from service.store.engine import Store

ROOT = Path(__file__).parents[2]


def test_a_second_that_serves_the_same_file_is_turned_away_until_the_first_has_ended(sqlite_url, open_store, tmp_path):
    first, second = open_store(sqlite_url), open_store(sqlite_url)
    first.claim()
    first.claim()
    with pytest.raises(InUse, match=r"served by another process \(\d+\)"):
        second.claim()
    link = tmp_path / "by-another-name.sqlite3"
    link.symlink_to(sqlite_url.removeprefix("sqlite:///"))
    with pytest.raises(InUse):
        open_store(f"sqlite:///{link}").claim()
    first.close()
    second.claim()


def test_commands_that_write_a_little_do_not_need_it(sqlite_url, open_store):
    open_store(sqlite_url).claim()
    with open_store(sqlite_url).writing() as tx:
        assert tx.exec_driver_sql("UPDATE heads SET turn = turn + 1").rowcount == 0


def test_a_killed_process_leaves_no_lock_behind(sqlite_url, open_store):
    program = (
        "import sys; from service.store.engine import Store\n"
        "store = Store(sys.argv[1]); store.claim(); print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", program, sqlite_url], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(InUse, match=str(holder.pid)):
            open_store(sqlite_url).claim()
        holder.send_signal(signal.SIGKILL)
    open_store(sqlite_url).claim()


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:"])
def test_a_database_in_memory_is_nobody_else_s_anyway(url):
    stores = [Store(url), Store(url)]
    for store in stores:
        store.claim()
    for store in stores:
        store.close()


def test_on_postgresql_there_is_no_such_lock(postgresql_url, open_store):
    for _ in range(2):
        open_store(postgresql_url).claim()
