"""``python -m blindspoon``."""

from __future__ import annotations

from blindspoon.cli.main import main

main()
