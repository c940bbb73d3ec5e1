"""A process that has loaded the service's code and forks a service from it: two seconds of imports, once.

What a child then runs is what ``python -m service serve`` runs. Orders come as lines of JSON on standard input; the
child's pid is the answer. The first start of every database is a cold one all the same (see ``served``).
"""

from __future__ import annotations

import json
import os
import signal
import sys
from typing import Any, NoReturn

from service.cli import main as command_line


def main() -> None:
    """Fork for each line, until there are no more."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the children: they are watched by pidfd
    for line in sys.stdin:
        order = json.loads(line)
        pid = os.fork()
        if pid == 0:
            _become(order)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()


def _become(order: dict[str, Any]) -> NoReturn:
    """The command line, with its own environment, output and session."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.setsid()
    log = os.open(order["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.dup2(log, 1)
    os.dup2(log, 2)
    os.environ.update(order["environment"])
    sys.argv = ["witnessmark", *order["arguments"]]
    command_line()
    sys.exit(0)


if __name__ == "__main__":
    main()
