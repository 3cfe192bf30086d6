"""The command line in a process of its own: the command `agreement`, or ``python -m agreement``."""

from agreement.cli import main
from agreement.report.unused import leave_out_unused


def start() -> None:
    """Run the command line without what its process would load in vain."""
    leave_out_unused()
    main()


if __name__ == "__main__":
    start()
