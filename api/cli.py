"""The command line: a table of commands, each loaded only when it is called.

`outlast --help` prints the table and imports nothing heavy. A command is "module:attribute" under api.commands,
where the attribute is a typer.Typer, or a plain function that becomes one.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import TYPE_CHECKING

from api import __version__
from api.process.children import one_thread
from api.process.signals import interrupt_ends
from api.tongue import speak, spoken

if TYPE_CHECKING:
    import typer

COMMANDS: dict[str, str] = {
    "demo": "demo:demo",
    "run": "run:run",
    "collect": "run:collect",
    "forecast": "run:forecast",
    "serve": "run:serve",
    "members": "members:members",
    "check": "check:check",
    "size": "size:size",
    "replay": "replay:replay",
    "score": "score:score",
    "simulate": "simulate:simulate",
    "discharge": "discharge:app",
    "alarms": "alarms:app",
    "ready": "ready:ready",
    "trip": "trip:trip",
    "report": "report:report",
    "export": "export:export",
    "study": "study:study",
    "health": "health:health",
    "work": "work:app",
    "token": "token:app",
    "backup": "backup:backup",
    "restore": "backup:restore",
    "move": "move:move",
    "completion": "completion:completion",
}
"""Where each command is; what it does stands in the catalogue, under `command.table` and its own name."""


def usage() -> str:
    """The help text of the whole program."""
    width = max(map(len, COMMANDS)) + 2
    table = "\n".join(f"  {name:<{width}}{spoken()(f'command.table.{name}')}" for name in COMMANDS)
    return spoken()("command.program", table=table)


def complain(line: str) -> int:
    """Write one line to stderr; the exit code of wrong use or configuration."""
    from forecaster.domain.names import legible

    sys.stderr.write(legible(" ".join(line.split())) + "\n")
    return 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Exit code: 0 done, 1 a negative finding, 2 wrong use or configuration."""
    words = list(sys.argv[1:] if argv is None else argv)
    one_thread(os.environ)
    speak(words, os.environ)
    if argv is None and "_OUTLAST_COMPLETE" in os.environ:
        return int(import_module("api.commands.completion").complete(os.environ["_OUTLAST_COMPLETE"]))
    if not words or words[0] in ("--help", "-h", "help"):
        sys.stdout.write(usage())
        return 0
    if words[0] == "--version":
        sys.stdout.write(f"outlast {__version__}\n")
        return 0
    name, rest = words[0], words[1:]
    if name not in COMMANDS:
        from difflib import get_close_matches

        near = get_close_matches(name, COMMANDS, n=1)
        say = spoken()
        hint = say("command.near", name=near[0]) if near else say("command.listed")
        return complain(say("command.unknown", name=name, hint=hint))
    return _call(name, rest)


def _call(name: str, rest: list[str]) -> int:
    """Load and call one command."""
    with interrupt_ends():
        import typer

        from api.helping import worded
        from forecaster.domain.errors import OutlastError
        from forecaster.texts.failures import failure

        module, _, attribute = COMMANDS[name].partition(":")
        target = getattr(import_module(f"api.commands.{module}"), attribute)
    app = target if isinstance(target, typer.Typer) else _single(target)
    try:
        command = worded(typer.main.get_command(app), name, spoken())
        result = command.main(rest, prog_name=f"outlast {name}", standalone_mode=False)
        sys.stdout.flush()
    except typer.TyperException as error:
        text = error.format_message().strip().rstrip(".")
        return complain(spoken()("command.wrong", name=name, problem=text)) if text else 2
    except OutlastError as error:
        return complain(f"outlast {name}: {failure(error, spoken())}")
    except (typer.Abort, KeyboardInterrupt):
        return complain(spoken()("command.stopped", name=name))
    except BrokenPipeError:  # the reader of our output has gone, as `| head` goes
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return result if isinstance(result, int) else 0


def _single(function: Callable[..., object]) -> typer.Typer:
    """A Typer application of one function."""
    import typer

    app = typer.Typer(rich_markup_mode=None, add_completion=False)
    app.command()(function)
    return app
