"""`python -m kinematics`."""

import os
import sys

from kinematics.cli.program import main
from kinematics.errors import EXIT_READER_GONE


def run() -> None:
    """Run the program and leave at once: taking the compiler apart again would take longer than many an answer."""
    status: object = 0
    try:
        main()
    except SystemExit as leaving:
        status = leaving.code
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except BrokenPipeError:
            status = EXIT_READER_GONE
        except (AttributeError, OSError, ValueError):
            pass  # closed, or never there
    os._exit(status if isinstance(status, int) else 0)


if __name__ == "__main__":
    run()
