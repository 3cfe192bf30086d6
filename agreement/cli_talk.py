"""How the command line speaks: data to stdout, talk to stderr, nothing that a terminal would obey."""

import sys
from contextlib import suppress
from typing import Any, Final, NoReturn

import typer

from agreement.errors import visible
from agreement.signals import SIGNALLED

BUG: Final = 1
INPUT_AT_FAULT: Final = 2
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


def misused(error: Any) -> str:
    """Return what is wrong with the command line itself, as the library that reads it says it."""
    said = error.format_message()
    if type(error).__name__ == "NoArgsIsHelpError":
        return str(said)
    command = error.ctx.command_path if error.ctx else "agreement"
    return f"Stopped: {ended(said)} `{command} --help` lists what it takes."


def ended(said: str) -> str:
    """Return a sentence with a stop at its end."""
    return said if said[-1:] in ".!?" else f"{said}."
