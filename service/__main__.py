"""``python -m service``."""

from service.cli import main

main()
