"""The command line, as ``witnessmark`` and as ``python -m service``."""

import sys


def main() -> None:
    """Run it; whoever interrupts it, even while it is still being loaded, gets no traceback."""
    try:
        from service.cli import main as run  # noqa: PLC0415 - loading takes a second in which Ctrl-C is heard too

        run()
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
