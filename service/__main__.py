"""The door of the command line: `dustcake ...` and `python -m service ...` come in here. Does nothing else."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and end the process with its exit code."""
    from service.cli.app import run  # noqa: PLC0415 - importing this module must cost nothing

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
