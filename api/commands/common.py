"""What commands share: their options, and how a result is printed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from api.tongue import spoken
from collector.decode.log import MessageLog
from forecaster.domain.names import legible_lines

ConfigDir = Annotated[
    Path,
    typer.Option("--config", metavar="DIR", envvar="OUTLAST_CONFIG"),
]
"""`--config DIR`; give it the default Path(".")."""

AsJson = Annotated[bool, typer.Option("--json")]
"""`--json`; give it the default False."""


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print lines. What nobody sees in them is printed as an escape: a name or a topic must not write on a terminal."""
    typer.echo(legible_lines(text), err=err, nl=nl)


def echo_json(value: Any) -> None:
    """Print a value as one indented JSON document; NaN and infinities become null."""
    echo(msgspec.json.format(msgspec.json.encode(value), indent=2).decode())


def tell(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print a text in the language of the command line."""
    echo(spoken().line(text), err=err, nl=nl)


def tell_progress(text: str) -> None:
    """Print on stderr how far something is, over what was printed there before; an empty text ends that line."""
    typer.echo("\r" + legible_lines(spoken().line(text)) if text else "", err=True, nl=not text)


def complain_of(log: MessageLog, who: str) -> None:
    """Say on stderr how many lines of a log were passed over, and what was wrong with the first."""
    said = log.said()
    if said is not None:
        echo(f"{who}: {spoken().again(said)}", err=True)


def group() -> typer.Typer:
    """A Typer application for a command with sub-commands, in the plain style that all commands share."""
    return typer.Typer(rich_markup_mode=None, add_completion=False, no_args_is_help=True)
