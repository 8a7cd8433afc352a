"""`outlast completion`: what a shell needs to complete commands and options, by the machinery of typer."""

from __future__ import annotations

import os
from collections.abc import Collection
from enum import StrEnum
from importlib import import_module
from typing import Annotated

import typer
from typer._completion_classes import completion_init
from typer.completion import shell_complete

from api.cli import COMMANDS
from api.helping import worded
from api.tongue import spoken

PROGRAM = "outlast"
ASKED_BY = "_OUTLAST_COMPLETE"
"""Set by the shell's script when it asks for completions."""

TYPED = ("COMP_WORDS", "_TYPER_COMPLETE_ARGS")
"""Where the scripts put the line typed so far: bash, and the others."""


class Shell(StrEnum):
    """A shell that completes."""

    BASH = "bash"
    ZSH = "zsh"
    FISH = "fish"


def completion(shell: Annotated[Shell, typer.Argument()]) -> int:
    """Print the completion script of a shell."""
    return _answer(f"source_{shell}", ())


def complete(instruction: str) -> int:
    """Answer a shell's request to complete the line typed so far. Only the command named on that line is loaded."""
    typed = next((os.environ[name] for name in TYPED if name in os.environ), "")
    return _answer(instruction, typed.split()[1:2])


def _answer(instruction: str, loaded: Collection[str]) -> int:
    completion_init()
    whole = typer.main.get_command(_whole(loaded))
    for name, command in getattr(whole, "commands", {}).items():
        if name in loaded:
            worded(command, name, spoken())
    return shell_complete(whole, {}, PROGRAM, ASKED_BY, instruction)


def _whole(loaded: Collection[str]) -> typer.Typer:
    """The whole program as one Typer application; commands other than `loaded` have only their name and help."""
    app = typer.Typer(rich_markup_mode=None, add_completion=False)
    for name, place in COMMANDS.items():
        line = spoken()(f"command.table.{name}")
        if name not in loaded:
            app.add_typer(typer.Typer(), name=name, help=line)
            continue
        module, _, attribute = place.partition(":")
        target = getattr(import_module(f"api.commands.{module}"), attribute)
        if isinstance(target, typer.Typer):
            app.add_typer(target, name=name, help=line)
        else:
            app.command(name, help=line)(target)
    return app
