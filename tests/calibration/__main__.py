"""How often the verdicts are right: ``python tests/calibration --help``."""

import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path[0] = str(Path(__file__).parents[2])  # the modules know each other from there
    from tests.calibration.command import main

    main(prog_name="python tests/calibration")
