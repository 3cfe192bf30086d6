"""Run the command line as ``python -m agreement``."""

from agreement.cli import main

main()
