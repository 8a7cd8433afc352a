"""`outlast health`: what the long record says of every part of a house."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from api.commands.common import AsJson, ConfigDir, echo, echo_json
from api.commands.installed import opened
from forecaster.domain.longrecord import PartState
from forecaster.domain.site import Site
from forecaster.health.told import HEALTH, health_told, part_name, rows_told, season_told, storm_told
from forecaster.texts.catalogue import Words, words

SiteId = Annotated[str, typer.Argument(metavar="SITE")]


def health(site_id: SiteId, config: ConfigDir = Path(), as_json: AsJson = False) -> int:
    """Tell how pump, float, valve, line, pack and telemetry have fared over the months, and what to do."""
    say = words()
    with opened(config) as has:
        site = has.site(site_id)
        document = health_told(has.ledger, site.id)
        parts, work = rows_told(has.ledger.study(site.id, HEALTH), say)
        storm, season = storm_told(has.ledger, site.id, say), season_told(has.ledger, site.id, say)
    if as_json:
        echo_json(document)
    else:
        echo("\n".join(_lines(site, document, parts, storm, season, work, say)))
    acting = any(part["state"] == PartState.ACT.value for part in document["parts"])
    return 1 if acting or document["as_of"] is None else 0


def _lines(
    site: Site, document: dict[str, Any], parts: Sequence[dict[str, Any]], storm: tuple[str, str] | None,
    season: str | None, work: Sequence[dict[str, Any]], say: Words,
) -> list[str]:  # fmt: skip
    lines = [] if document["failed"] is None else [say("health.failed", why=document["failed"])]
    if document["as_of"] is None:
        return [*lines, say("health.unstudied", site=site.id)]
    lines.append(say("health.heading", site=site.name, day=document["as_of"][:10]))
    for part in parts:
        name, state = part_name(part, say), say(f"health.state.{part['state']}")
        lines.append(f"{state:>9}  {name}: {part['says']}")
        if part["state"] in (PartState.WATCH.value, PartState.ACT.value):
            lines.append(f"{'':>9}  {part['do']}")
    if storm is not None:
        lines += [f"{'':>9}  {line}" for line in (say("storm.line", says=storm[0]), storm[1])]
    if season is not None:
        lines.append("{:>9}  {}".format("", say("season.line", says=season)))
    lines += [f"{done['at'][:10]}  {done['did']}{_gain(done, say)}" for done in work]
    return lines


def _gain(done: dict[str, Any], say: Words) -> str:
    gain = done["helped"]
    if gain is None:
        return ""
    low, middle, high = (f"{100.0 * gain[level]:+.0f}" for level in ("p10", "p50", "p90"))
    return ". " + say("health.helped", middle=say.signs(middle), low=say.signs(low), high=say.signs(high))
