"""`python -m tests.simulation`: see `tests.simulation.soak`, which other processes can import by its name."""

from __future__ import annotations

import sys

from tests.simulation.soak import main

if __name__ == "__main__":
    sys.exit(main())
