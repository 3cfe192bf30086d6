"""The command line in a process of its own: the command `agreement`, or ``python -m agreement``."""

import atexit
import os
import sys

from agreement.cli import INTERRUPTED, main
from agreement.report.run.unused import leave_out_unused


def start() -> None:
    """Run the command line without what its process would load in vain."""
    leave_out_unused()
    main()


if __name__ == "__main__":
    try:
        start()
    except SystemExit as end:
        # with -m, Python would end itself by the signal if code made of text was interrupted before
        if end.code == INTERRUPTED:
            atexit._run_exitfuncs()
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(INTERRUPTED)
        raise
