"""How the command line speaks: data to stdout, talk to stderr, nothing that a terminal would obey."""

import sys
from contextlib import suppress
from typing import Final, NoReturn

import typer

from agreement.errors import visible

BUG: Final = 1
INPUT_AT_FAULT: Final = 2
SIGNALLED: Final = 128  # and the number of the signal
NOBODY_READS: Final = SIGNALLED + 13


def end(message: str, code: int) -> NoReturn:
    """Say why, and end with an exit code."""
    talk(message)
    raise typer.Exit(code)


def talk(text: str) -> None:
    """Say something on stderr; where nobody listens, nothing is lost."""
    with suppress(OSError, ValueError):
        typer.echo(visible(text), err=True)


def data(text: str) -> None:
    """Write to stdout; a reader who left ends the run without a word, a full disk with one."""
    try:
        typer.echo(visible(text))
        sys.stdout.flush()
    except BrokenPipeError as error:
        raise typer.Exit(NOBODY_READS) from error
    except OSError as error:
        end(f"Stopped: the output cannot be written ({error.strerror}).", INPUT_AT_FAULT)
