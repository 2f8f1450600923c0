"""Serve the score page: python serve_folder.py FOLDER [--lan]; says where as a line of JSON."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from blindspoon.collect import opening
from blindspoon.collect.ballots import Event
from blindspoon.collect.server import Addresses, serve


def main() -> None:
    def ready(addresses: Addresses) -> None:
        links = {name: tasting.desk.taster_link(name) for name in tasting.desk.plan.tasters}
        print(json.dumps(asdict(addresses) | {"links": links}), flush=True)  # noqa: T201

    def tell(event: Event) -> None:
        print(event, file=sys.stderr, flush=True)  # noqa: T201

    with opening.opened(Path(sys.argv[1])) as tasting:
        lan = "--lan" in sys.argv
        print(serve(tasting.desk, lan=lan, port=0, ready=ready, tell=tell))  # noqa: T201


if __name__ == "__main__":
    main()
