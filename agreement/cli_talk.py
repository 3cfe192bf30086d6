"""How the command line speaks: data to stdout, talk to stderr, nothing that a terminal would obey."""

import re
import sys
from collections.abc import Iterable
from contextlib import suppress
from difflib import get_close_matches
from typing import Any, Final, NoReturn

import typer
from typer.core import TyperGroup

from agreement.errors import visible
from agreement.signals import SIGNALLED

BUG: Final = 1
INPUT_AT_FAULT: Final = 2
NOBODY_READS: Final = SIGNALLED + 13


class WholeHelp(TyperGroup):
    """A group that says of each command all of what it does; the library cuts it to one line."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands, each with its help."""
        every = [(name, self.commands[name].help or "") for name in self.list_commands(ctx)]
        with formatter.section("Commands"):
            formatter.write_dl(every)


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


def stopped(said: str, options: Iterable[str]) -> str:
    """Return what the library said, ending in a stop; an argument of it that is an option here by that name."""
    argument = re.match(r"`(\w+)`", said)
    if argument and argument[1] in options:
        said = f"--{argument[1].replace('_', '-')}{said[argument.end() :]}"
    return said if said[-1:] in ".!?" else f"{said}."


def misused(error: Any) -> str:
    """Say what is wrong with the command line itself, an error of the library that reads it."""
    help_alone = type(error).__name__ == "NoArgsIsHelpError"
    return str(error) if help_alone else f"Stopped: {_misused(error)}"


def _misused(error: Any) -> str:
    context: Any = getattr(error, "ctx", None)
    given = getattr(error, "param", None)
    said, kind = str(error), type(error).__name__
    inside = getattr(context, "parent", None) is not None
    command = f"agreement {context.info_name}" if inside else "agreement"
    more = f"`{command} --help` lists what it takes."
    if kind == "MissingParameter" and given is not None:
        option = given.param_type_name == "option"
        name = given.opts[-1] if option else given.metavar or given.name.upper()
        return f"`{command}` needs {name}: {given.help}"
    if kind == "NoSuchOption":
        known = [*(error.possibilities or ()), *(() if inside else ("--version",))]
        near = get_close_matches(error.option_name, known, 1, 0.7)
        more = f"Did you mean {near[0]}?" if near else more
        return f"`{command}` has no option {error.option_name}. {more}"
    if kind == "BadOptionUsage":
        lacks = "takes no value" if "not take" in said else "needs a value behind it"
        return f"{error.option_name} {lacks}."
    if given is not None:
        name = given.opts[-1] if given.param_type_name == "option" else given.name.upper()
        return f"{name} must be {_expected(said)}. {more}"
    if wrong := re.match(r"No such command '(.+?)'", said, re.DOTALL):
        near = get_close_matches(wrong[1], context.command.commands, 1)
        more = f"Did you mean {near[0]}?" if near else f"`{command} --help` lists them."
        return f"There is no command {wrong[1]}. {more}"
    if extra := re.search(r"unexpected extra.*? \((.+)\)", said, re.DOTALL):
        return f"`{command}` has no place for {extra[1]}. {more}"
    return f"{said.rstrip('.')}. {more}"


def _expected(said: str) -> str:
    """Return what a value must be, from what the library says of a wrong one."""
    if bound := re.search(r"(less|greater) than or equal to (\d+)", said):
        return f"at {'most' if bound[1] == 'less' else 'least'} {bound[2]}"
    _, listed, words = said.partition("is not one of")
    if listed:
        return "one of " + ", ".join(re.findall(r"'([^']*)'", words))
    if "integer" in said:
        return "a whole number"
    return "a number" if "number" in said or "float" in said else "something else"
