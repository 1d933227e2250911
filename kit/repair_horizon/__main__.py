"""``python -m repair_horizon`` is the same as the command ``repair-horizon``."""

import sys

from repair_horizon.cli import main

if __name__ == "__main__":
    sys.exit(main())
