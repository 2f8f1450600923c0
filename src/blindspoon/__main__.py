"""``python -m blindspoon``."""

from blindspoon.cli import main

main()
