"""`outlast move`: readings from an installation's store to another one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from api.commands.common import AsJson, ConfigDir, echo_json, tell, tell_progress
from collector.clock import SystemClock
from collector.config.addresses import without_password
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_readings
from collector.store.transfer import move_readings
from forecaster.domain.ports import Ledger
from forecaster.texts.catalogue import Said


def move(
    to: Annotated[str, typer.Option("--to", metavar="URL")],
    config: ConfigDir = Path(),
    again: Annotated[bool, typer.Option("--again")] = False,
    json: AsJson = False,
) -> int:
    """Copy all readings to another store while everything runs; stop it and start it again as you like."""
    installation = load_installation(config)
    goal = replace(installation, store=installation.store.model_copy(update={"url": to}))
    clock = SystemClock()
    ledger = open_ledger(installation.ledger_url, owner=False)
    source = open_readings(installation, ledger, clock, role="move-from", owner=False)
    target = open_readings(goal, ledger, clock, role="move-to", owner=True)
    note = f"move to {without_password(to)}"
    _rename(ledger, f"move to {to}", note)
    try:
        start = None if again else ledger.noted(note) or None
        before = int(ledger.noted(f"{note}#copied") or 0) if start else 0

        def keep(cursor: str, copied: int) -> None:
            ledger.note(note, cursor)
            ledger.note(f"{note}#copied", str(copied))

        def progress(copied: int, there_are: int) -> None:
            if not json:
                tell_progress(Said("cli.readings", copied=copied, count=there_are))

        moved = move_readings(source, target, start, keep, progress, before)
    finally:
        target.close()
        source.close()
        ledger.close()
    if moved.copied and not json:
        tell_progress("")
    if json:
        echo_json({"copied": moved.copied, "missing": {site: [had, has] for site, had, has in moved.missing}})
    else:
        held = sum(has for _, _, has in moved.counts)
        tell(Said("cli.readings_copied_the_target_holds_of", copied=moved.copied, held=held, count=len(moved.counts)))
        for site, had, has in moved.missing:
            tell(Said("cli.of_run_the_move_again_with", site=site, has=has, had=had))
    return 1 if moved.missing else 0


def _rename(ledger: Ledger, older: str, newer: str) -> None:
    """Take up a move that a release began which wrote the address down with its password, and forget that."""
    for name, kept in ((older, newer), (f"{older}#copied", f"{newer}#copied")):
        if name != kept and (noted := ledger.noted(name)) is not None:
            ledger.note(kept, noted)
            ledger.forget_note(name)
