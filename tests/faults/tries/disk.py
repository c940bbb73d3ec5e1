"""A disk that is full, and one that fails: callers are told, nothing is damaged, and it goes on when the disk does."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

from tests.faults.clients import FACILITY, Client, load, set_up, until
from tests.faults.databases import Database, sqlite
from tests.faults.invariants import check
from tests.faults.remembered import Remembered
from tests.faults.served import Service, free_port
from tests.faults.setting import Figures, Setting
from tests.faults.tracing import injected

CLIENTS = 6
SMALL = 48_000_000
"""Bytes of the small disk."""
LEFT = 300_000
"""Bytes left on it when it is filled."""
FAILURES = (
    ("fdatasync", "EIO", "when=1+3"),
    ("pwrite64", "EIO", "when=2+7"),
    ("pwrite64", "ENOSPC", "when=3+11"),
    ("fdatasync", "EIO", ""),
    ("pwrite64", "EIO", ""),
    ("pread64", "EIO", "when=1+5"),
)
"""What fails, how, and which of the calls: with nothing said, every one."""


def full(setting: Setting) -> Figures:
    """A small file system filled to the brim under load and freed again; killed and started while it is full, too."""
    figures, remembered, port = Figures(), Remembered(), free_port()
    with _small_disk(setting.folder / "small") as folder:
        figures.add("on a file system of its own" if folder is not None else "by a limit on the size of files")
        database = sqlite(folder or setting.folder)
        service = setting.start(database.url, port)
        try:
            service.ready()
            set_up(port, database.token, remembered)
            for number in range(max(1, setting.rounds // 20)):
                fill = _filling(database, service, on_disk=folder is not None)
                _told_and_taken_again(setting, database, service, remembered, 2 * number, fill)
                check(database.url, FACILITY, remembered.as_it_stands())
                begin = partial(_begun_while_full, setting, database, port, figures)
                kept = _killed_while_it_fails(setting, database, service, remembered, 2 * number + 1, fill, begin)
                figures.add("rounds", **{"told to come again, and recorded": kept})
                service = setting.start(database.url, port)
                figures.worst("restart, s", service.ready())
                setting.progress(figures)
            service.stop()
            check(database.url, FACILITY, remembered.as_it_stands())
        finally:
            service.kill()
    figures.remember(remembered)
    return figures


def _begun_while_full(setting: Setting, database: Database, port: int, figures: Figures) -> None:
    """A start on a full disk either serves or ends with a line: nothing half way."""
    service = setting.start(database.url, port)
    before = len(service.told())
    try:
        service.ready()
        figures.add("starts that serve")
    except RuntimeError:
        figures.add("starts that end")
        assert "Traceback" not in service.told()[before:], service.told()[before:]
    finally:
        service.kill()


Fill = Callable[[], Callable[[], None]]
"""Make it fail; what it gives back ends that."""


def _told_and_taken_again(
    setting: Setting, database: Database, service: Service, remembered: Remembered, number: int, fail: Fill
) -> None:
    """Under load: it fails, callers are told; it ends, and entries are taken again."""
    port, cut = service.port, remembered.cut
    with load([port], database.token, remembered, CLIENTS, setting.seed, number * CLIENTS):
        before = len(remembered.acknowledged)
        until(lambda: len(remembered.acknowledged) > before + CLIENTS, "some load")
        refused = remembered.not_now
        end = fail()
        try:
            until(lambda: remembered.not_now > refused + CLIENTS, "callers to be told to come again")
            reader = Client(port, database.token, remembered)
            status, document = reader.once("GET", "/entries?limit=5")
            assert status in {200, 503}, f"a reader was answered {status} {document}; {service.told()[-6000:]}"
            reader.close()
        finally:
            end()
        before = len(remembered.acknowledged)
        until(lambda: len(remembered.acknowledged) > before + 2 * CLIENTS, "entries to be taken again")
    assert remembered.cut == cut, "the service hung up on somebody"


def _killed_while_it_fails(
    setting: Setting,
    database: Database,
    service: Service,
    remembered: Remembered,
    number: int,
    fail: Fill,
    meanwhile: Callable[[], None] = lambda: None,
) -> int:
    """Under load it fails, and the process dies of something else; how many of those told 503 are recorded after all.

    That is right: a commit whose sync failed lies in the log, and whoever reads the log next may find it whole.
    """
    with load([service.port], database.token, remembered, CLIENTS, setting.seed, number * CLIENTS):
        refused = remembered.not_now
        end = fail()
        try:
            until(lambda: remembered.not_now > refused + CLIENTS, "callers to be told to come again")
        finally:
            service.kill()
            try:
                meanwhile()
            finally:
                end()
    return check(database.image(setting.folder / "image"), FACILITY, remembered.as_it_stands()).kept


@contextmanager
def _small_disk(folder: Path) -> Iterator[Path | None]:
    """A file system of a few megabytes; None where we may not mount one."""
    folder.mkdir()
    mount, unmount = shutil.which("mount"), shutil.which("umount")
    command = [mount or "mount", "-t", "tmpfs", "-o", f"size={SMALL}", "tmpfs", str(folder)]
    if not mount or not unmount or subprocess.run(command, check=False, capture_output=True).returncode:
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run([unmount, "-l", str(folder)], check=False, capture_output=True)


def _filling(database: Database, service: Service, *, on_disk: bool) -> Fill:
    """How to fill it: with ballast, or by a limit on how long its files may get."""
    file = database.file
    if file is None:
        raise TypeError("a file is wanted")
    return (lambda: _ballast(file.parent)) if on_disk else (lambda: _limited(service.pid, file))


def _ballast(folder: Path) -> Callable[[], None]:
    path = folder / "ballast"
    with path.open("wb", buffering=0) as ballast:
        try:
            while True:
                disk = os.statvfs(folder)
                ballast.write(bytes(max(4096, min(65536, disk.f_bavail * disk.f_frsize - LEFT))))
                if disk.f_bavail * disk.f_frsize <= LEFT:
                    break
        except OSError as trouble:
            if trouble.errno != errno.ENOSPC:
                raise
    return path.unlink


def _limited(pid: int, file: Path) -> Callable[[], None]:
    before = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    longest = max(Path(f"{file}{end}").stat().st_size for end in ("", "-wal"))
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (longest + LEFT, before[1]))

    def end() -> None:
        with suppress(ProcessLookupError):
            resource.prlimit(pid, resource.RLIMIT_FSIZE, before)

    return end


def failing(setting: Setting) -> Figures:
    """System calls of the running service made to fail: the sync of the log, a write, a read."""
    figures, remembered, port = Figures(), Remembered(), free_port()
    database = sqlite(setting.folder)
    service = setting.start(database.url, port)
    try:
        service.ready()
        set_up(port, database.token, remembered)
        for number, (call, error, when) in enumerate(FAILURES[: setting.rounds]):
            fail = partial(injected, service.pid, call, error, when)
            _told_and_taken_again(setting, database, service, remembered, 2 * number, fail)
            check(database.url, FACILITY, remembered.as_it_stands())
            kept = _killed_while_it_fails(setting, database, service, remembered, 2 * number + 1, fail)
            figures.add("failures", **{"told to come again, and recorded": kept})
            service = setting.start(database.url, port)
            figures.worst("restart, s", service.ready())
        service.stop()
        check(database.url, FACILITY, remembered.as_it_stands())
    finally:
        service.kill()
    figures.remember(remembered)
    return figures
