"""Serve the score page: python serve_folder.py FOLDER [PORT]; says where as a line of JSON."""

import json
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from blindspoon.collect import opening
from blindspoon.collect.server import serve


def main() -> None:
    def ready(joins: Sequence[str], host: str) -> None:
        links = {name: sitting.taster_link(name) for name in sitting.plan.tasters}
        print(json.dumps({"join": joins[0], "host": host, "links": links}), flush=True)  # noqa: T201

    def tell(text: str) -> None:
        print(text, file=sys.stderr, flush=True)  # noqa: T201

    signal.signal(signal.SIGINT, signal.default_int_handler)  # a run in the background ignores it
    port = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    with opening.opened(Path(sys.argv[1])) as sitting:
        print(serve(sitting, port=port, ready=ready, tell=tell))  # noqa: T201


if __name__ == "__main__":
    main()
