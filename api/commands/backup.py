"""`outlast backup` and `outlast restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from api.commands.common import AsJson, ConfigDir, echo_json, tell, tell_progress
from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.store import backup as backups
from collector.store.ledger_copy import Tell, untold
from forecaster.texts.catalogue import Said


def _progress(json: bool) -> Tell:
    """Tells on standard error how far the copy of a ledger is; where JSON is asked for, nobody is told."""

    def told(copied: int, rows: int) -> None:
        tell_progress(Said("cli.rows_of_the_ledger", copied=copied, rows=rows))
        if copied >= rows:
            tell_progress("")

    return untold if json else told


def backup(
    target: Annotated[Path, typer.Argument(metavar="TARGET")],
    config: ConfigDir = Path(),
    keep: Annotated[int | None, typer.Option(min=1)] = None,
    json: AsJson = False,
) -> None:
    """Copy a running installation and verify the copy. Nothing is stopped."""
    installation = load_installation(config)
    folder, manifest = backups.take_backup(installation, target, SystemClock().now_ms(), _progress(json))
    removed = [] if keep is None else backups.thin(target, keep)
    rows = {f"{name} {table}": count for name, mark in manifest.files.items() for table, count in mark.rows.items()}
    if json:
        echo_json({"folder": str(folder), "rows": rows, "removed": [str(path) for path in removed]})
        return
    tell(Said("cli.files_verified", folder=folder, count=len(manifest.files)))
    for name, count in rows.items():
        tell(Said("cli.rows", name=name, count=count))
    if backups.READINGS not in manifest.files:
        tell(Said("cli.readings_live_on_a_time_series"))
    for path in removed:
        tell(Said("cli.removed", path=path.name))


def restore(
    folder: Annotated[Path, typer.Argument(metavar="BACKUP")],
    config: ConfigDir = Path(),
    only: Annotated[Literal["readings", "ledger"] | None, typer.Option(show_default=False)] = None,
    json: AsJson = False,
) -> None:
    """Bring a backup into an installation that is not running. What stands in the way is moved aside."""
    backups.put_settings(folder, config)
    done = backups.restore(folder, load_installation(config), SystemClock().now_ms(), only, _progress(json))
    if json:
        echo_json({"done": done})
        return
    for line in done:
        tell(line)
