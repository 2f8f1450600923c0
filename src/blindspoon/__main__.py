"""``python -m blindspoon``."""

from blindspoon.cli.main import main

main()
