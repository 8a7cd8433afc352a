"""The help of commands, worded from the catalogue: a command knows its options, the catalogue says what they are.

Keys are made of the command and its parameter: `command.size.charge`, or `command.any.charge` where every command
that has it means the same.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from typer._click.core import Command, Context
from typer._click.formatting import HelpFormatter
from typer.core import TyperGroup

from api.tongue import spoken
from forecaster.texts.catalogue import Words
from forecaster.texts.doers import doer

OWN_HELP = "Show this message and exit."
"""How typer words --help itself."""


class SpokenFormatter(HelpFormatter):
    """Help with the headings and remarks of typer in the language of the command line."""

    def write_usage(self, prog: str, args: str = "", prefix: str | None = None) -> None:
        """The first line of a help text."""
        super().write_usage(prog, args, spoken()("command.usage") if prefix is None else prefix)

    def write_heading(self, heading: str) -> None:
        """A heading: options, arguments, commands."""
        key = f"command.heading.{heading.lower()}"
        super().write_heading(spoken()(key) if key in spoken() else heading)

    def write_dl(self, rows: Sequence[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        """Names, each with what it is."""
        super().write_dl([(name, _remarked(said)) for name, said in rows], col_max, col_spacing)


class SpokenContext(Context):
    """A context whose help is formatted in the language of the command line."""

    formatter_class = SpokenFormatter


def worded(command: Command, path: str, say: Words) -> Command:
    """A command, and those below it, with the help that the catalogue has for it."""
    command.context_class = SpokenContext
    command.options_metavar = say("command.options")
    if isinstance(command, TyperGroup):
        command.subcommand_metavar = say("command.below")
    command.help = say(f"command.{path}.help")
    for parameter in command.params:
        own = f"command.{path}.{parameter.name}"
        parameter_help = say(own if own in say else f"command.any.{parameter.name}")
        vars(parameter)["help"] = parameter_help
        if parameter.metavar is not None:
            parameter.metavar = _placed(parameter.metavar, say)
    for name, below in getattr(command, "commands", {}).items():
        worded(below, f"{path}.{name}", say)
    return command


def _placed(metavar: str, say: Words) -> str:
    """What stands for a value, `NAME:WATTS`, in the language."""

    def place(found: re.Match[str]) -> str:
        key = f"command.place.{found[0].lower()}"
        return say(key) if key in say else found[0]

    return re.sub(r"[A-Z_]+", place, metavar)


def _remarked(said: str) -> str:
    """What a parameter is, with typer's own remarks in brackets behind it worded too."""
    if said == OWN_HELP:
        return spoken()("command.own_help")
    return re.sub(r"\[((?:env var: |default: |required)[^\[\]]*)\]$", lambda found: f"[{_remarks(found[1])}]", said)


def _remarks(told: str) -> str:
    return "; ".join(map(_remark, told.split("; ")))


def _remark(remark: str) -> str:
    if remark == "required":
        return spoken()("command.required")
    for start, key in (("env var: ", "command.variable"), ("default: ", "command.default")):
        if remark.startswith(start):
            return spoken()(key, value=doer(remark.removeprefix(start), spoken()))
    return remark
