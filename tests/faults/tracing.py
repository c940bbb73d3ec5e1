"""strace: system calls made to fail, and the order of writes, syncs and answers."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

WRITES = ("pwrite64", "ftruncate", "fdatasync", "fsync", "write", "writev", "sendto", "sendmsg")
_LONGEST = 70_000
"""Bytes of a write that are shown; a page and an answer are shorter."""


class NoTracer(RuntimeError):
    """What was to be shown cannot be: strace is not here, or may not look."""


def tracer() -> str:
    """Where strace is; raises NoTracer."""
    found = shutil.which("strace")
    if found is None:
        raise NoTracer("strace is not installed: failing system calls and the order of syncs were NOT tried")
    tried = subprocess.run([found, "-o", os.devnull, sys.executable, "-V"], capture_output=True, check=False)
    if tried.returncode:
        raise NoTracer(f"strace may not trace here, so neither was tried: {tried.stderr!r}")
    return found


def injected(pid: int, call: str, error: str, when: str) -> Callable[[], None]:
    """From now on this call fails in the process; what is given back ends that."""
    rule = f"inject={call}:error={error}" + (f":{when}" if when else "")
    command = [tracer(), "-f", "-p", str(pid), "-e", f"trace={call}", "-e", rule, "-o", "/dev/null"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE)
    status = Path(f"/proc/{pid}/status")
    until = time.monotonic() + 10
    while "TracerPid:\t0" in status.read_text("ascii"):
        if process.poll() is not None or time.monotonic() > until:
            process.kill()
            raise NoTracer(f"strace may not look into {pid}: {process.communicate()[1]!r}")
        time.sleep(0.005)

    def end() -> None:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)

    return end


def traced(trace: Path) -> list[str]:
    """What to put in front of a command to have its writes in ``trace``."""
    shown = f"trace={','.join(WRITES)}"
    return [tracer(), "-f", "-y", "-xx", "-s", str(_LONGEST), "-e", shown, "-e", "signal=none", "-o", str(trace)]


@dataclass(frozen=True, slots=True)
class Call:
    """A system call that came back; ``began`` and ``ended`` are lines of the trace."""

    name: str
    path: str
    data: bytes
    numbers: tuple[int, ...]
    result: int
    began: int
    ended: int

    @property
    def offset(self) -> int:
        """Where a pwrite64 goes."""
        return self.numbers[-1]


_LINE = re.compile(
    r"^(?P<thread>\d+)\s+(?:<\.\.\. (?P<resumed>\w+) resumed>(?P<rest>.*)|(?P<name>\w+)\((?P<begun>.*))$"
)
_UNFINISHED = " <unfinished ...>"
_DATA = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_FILE = re.compile(r"^\d+<([^>]*)>")
_RESULT = re.compile(r"=\s+(-?\d+)[^=]*$")


def calls(trace: Path) -> Iterator[Call]:
    """The calls of a trace, in the order in which they came back."""
    waiting: dict[str, tuple[str, str, int]] = {}
    with trace.open(encoding="ascii", errors="replace") as lines:
        for number, line in enumerate(lines):
            found = _LINE.match(line.rstrip("\n"))
            if found is None:
                continue
            thread = found["thread"]
            if found["resumed"]:
                name, begun, began = waiting.pop(thread, ("", "", number))
                yield from _call(name, begun + found["rest"], began, number)
            elif found["begun"].endswith(_UNFINISHED):
                waiting[thread] = (found["name"], found["begun"].removesuffix(_UNFINISHED), number)
            else:
                yield from _call(found["name"], found["begun"], number, number)


def _call(name: str, text: str, began: int, ended: int) -> Iterator[Call]:
    result, file = _RESULT.search(text), _FILE.match(text)
    if name not in WRITES or result is None or file is None:
        return
    data = b"".join(bytes.fromhex(one.replace("\\x", "")) for one in _DATA.findall(text))
    bare = _DATA.sub("", text[file.end() : result.start()])
    numbers = tuple(int(one) for one in re.findall(r"(?<![\w.])(\d+)", bare))
    yield Call(name, _plain(file[1]), data, numbers, int(result[1]), began, ended)


def _plain(path: str) -> str:
    return bytes.fromhex(path.replace("\\x", "")).decode() if path.startswith("\\x") else path
