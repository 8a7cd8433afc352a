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
from api.tongue import speak, spoken

if TYPE_CHECKING:
    import typer

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo:demo", "A whole simulated installation with a broker of its own; nothing to set up."),
    "run": ("run:run", "Collector, forecaster and API in one process."),
    "collect": ("run:collect", "The collector alone: broker to store."),
    "forecast": ("run:forecast", "The forecaster alone: store to forecasts and alarms."),
    "serve": ("run:serve", "The API and the pages alone."),
    "check": ("check:check", "Try the configuration against the live broker."),
    "size": ("size:size", "Before anything is bought: will this pack start and carry this pump?"),
    "replay": ("replay:replay", "Forecasts from a recorded message log, at the times asked."),
    "score": ("score:score", "Score the forecasts on recorded or simulated logs."),
    "simulate": ("simulate:simulate", "Write a simulated message log and its truth."),
    "discharge": ("discharge:app", "Rehearse on the pack: start, finish or show a discharge test."),
    "alarms": ("alarms:app", "List, acknowledge, shelve or preview alarms; send a test message."),
    "ready": ("ready:ready", "Before you leave: what holds, what does not, and what to do."),
    "report": ("report:report", "What happened at a site over a span of time."),
    "export": ("export:export", "A site's readings, runs, days, outages, forecasts or alarms as a file."),
    "study": ("study:study", "Add up the days of the long record that are over, and judge every part's health."),
    "health": ("health:health", "How pump, float, valve, line and pack have fared over the months, and what to do."),
    "work": ("work:app", "Tell of work on pump, float, valve or pack; list what was done over the years."),
    "token": ("token:app", "Add, list or revoke the tokens that open the API."),
    "backup": ("backup:backup", "Copy a running installation, verified."),
    "restore": ("backup:restore", "Bring an installation back from a backup."),
    "move": ("move:move", "Move the readings of an installation to another store."),
    "completion": ("completion:completion", "The script by which bash, zsh or fish completes commands and options."),
}

USAGE = """Usage: outlast COMMAND [OPTIONS]

How many hours the pack will carry the pump, live, as an honest range.

Commands:
{table}

Options:
  --version  Print the version and end.
  --help     Print this and end. `outlast COMMAND --help` tells of one command, with an example.

Example: outlast demo
"""


def usage() -> str:
    """The help text of the whole program."""
    width = max(map(len, COMMANDS)) + 2
    table = "\n".join(f"  {name:<{width}}{line}" for name, (_, line) in COMMANDS.items())
    return USAGE.format(table=table)


def complain(line: str) -> int:
    """Write one line to stderr; the exit code of wrong use or configuration."""
    sys.stderr.write(" ".join(line.split()) + "\n")
    return 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Exit code: 0 done, 1 a negative finding, 2 wrong use or configuration."""
    if argv is None and "_OUTLAST_COMPLETE" in os.environ:
        return int(import_module("api.commands.completion").complete(os.environ["_OUTLAST_COMPLETE"]))
    words = list(sys.argv[1:] if argv is None else argv)
    speak(words, os.environ)
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
        hint = f"did you mean `outlast {near[0]}`?" if near else "`outlast --help` lists them"
        return complain(f"outlast: no command {name!r}; {hint}")
    return _call(name, rest)


def _call(name: str, rest: list[str]) -> int:
    """Load and call one command."""
    import typer

    from forecaster.domain.errors import OutlastError
    from forecaster.texts.failures import failure

    module, _, attribute = COMMANDS[name][0].partition(":")
    target = getattr(import_module(f"api.commands.{module}"), attribute)
    app = target if isinstance(target, typer.Typer) else _single(target)
    try:
        result = typer.main.get_command(app).main(rest, prog_name=f"outlast {name}", standalone_mode=False)
        sys.stdout.flush()
    except typer.TyperException as error:
        text = error.format_message().strip().rstrip(".")
        return complain(f"outlast {name}: {text}; `outlast {name} --help` tells more") if text else 2
    except OutlastError as error:
        return complain(f"outlast {name}: {failure(error, spoken())}")
    except (typer.Abort, KeyboardInterrupt):
        return complain(f"outlast {name}: stopped")
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
