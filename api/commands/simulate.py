"""`outlast simulate`: a message log of a simulated outage, its site file, and its truth."""

from __future__ import annotations

import gzip
import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from api.commands.common import AsJson, echo_json, tell
from api.commands.score import styles_named
from collector.config.site_file import site_toml
from forecaster.score.cases import ORIGINS_PERCENT
from forecaster.texts.catalogue import Said
from forecaster.twin.episode import Episode, episode, sensors_of
from forecaster.twin.messages import SimulatedMessage, messages, stamp


def logged(message: SimulatedMessage) -> str:
    """One line as `mosquitto_sub -F %j` writes it."""
    moment = datetime.fromtimestamp(message.at_ms / 1000.0, UTC)
    return json.dumps({
        "tst": moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ+0000"),
        "topic": message.topic,
        "qos": 1,
        "retain": 0,
        "payloadlen": len(message.payload),
        "payload": message.payload.decode("utf-8", errors="replace"),
    }, ensure_ascii=False)  # fmt: skip


def truth_document(drawn: Episode) -> dict[str, Any]:
    """What is true of the episode: the outage, the hours left at some charges, the runs, the parameters."""
    truth = drawn.truth
    at = {f"{percent:g}": drawn.at_charge_ms(percent) for percent in ORIGINS_PERCENT}
    until_s = (truth.end_ms - drawn.start_ms) / 1000.0
    heard = drawn.house.runs.start_s < until_s
    first_s = float(drawn.house.spans[0].start_s)
    heard &= drawn.house.runs.start_s >= first_s
    return {
        "seed": drawn.seed,
        "style": drawn.style.value,
        "site": drawn.site.id,
        "mains_failed_at": stamp(truth.transfer_ms),
        "reserve_at": stamp(truth.reserve_ms),
        "empty_at": stamp(truth.empty_ms),
        "mains_back_at": None if truth.return_ms is None else stamp(truth.return_ms),
        "ended_before_reserve": truth.censored,
        "hours_remaining_at_charge": {
            percent: {"at": stamp(at_ms), "hours": round((truth.reserve_ms - at_ms) / 3.6e6, 4)}
            for percent, at_ms in at.items()
            if at_ms is not None and at_ms < truth.end_ms
        },
        "runs": [
            {"start": stamp(drawn.start_ms + round(1000.0 * a)), "stop": stamp(drawn.start_ms + round(1000.0 * b))}
            for a, b in zip(
                drawn.house.runs.start_s[heard].tolist(), drawn.house.runs.stop_s[heard].tolist(), strict=True
            )
        ],
        "parameters": asdict(drawn.parameters),
    }


def simulate(
    folder: Annotated[Path, typer.Argument(metavar="DIR")],
    seed: Annotated[int, typer.Option(min=0)] = 1,
    style: Annotated[str, typer.Option(metavar="STYLE")] = "full",
    compress: Annotated[bool, typer.Option("--gzip")] = False,
    as_json: AsJson = False,
) -> None:
    """Write a simulated message log, as mosquitto_sub -F %j would have recorded it, and its truth."""
    drawn = episode(seed, styles_named(style))
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / ("log.jsonl.gz" if compress else "log.jsonl")
    rng = np.random.default_rng([seed, 0xBAD])
    count = 0
    with gzip.open(log, "wt", encoding="utf-8") if compress else log.open("w", encoding="utf-8") as out:
        for message in messages(drawn.readings, sensors_of(drawn), drawn.troubles.bad, rng):
            out.write(logged(message) + "\n")
            count += 1
    truth = truth_document(drawn)
    (folder / "site.toml").write_text(site_toml(drawn.site), encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    summary = {
        "log": str(log),
        "site": str(folder / "site.toml"),
        "truth": str(folder / "truth.json"),
        "messages": count,
        "style": drawn.style.value,
        "mains_failed_at": truth["mains_failed_at"],
        "reserve_at": truth["reserve_at"],
        "ended_before_reserve": truth["ended_before_reserve"],
    }
    if as_json:
        echo_json(summary)
        return
    how = (
        Said("cli.the_mains_came_back_first")
        if drawn.truth.censored
        else Said("cli.the_reserve_floor_came_at", truth=truth["reserve_at"])
    )
    tell(Said("cli.messages_in_the_mains_failed_at", count=count, log=log, truth=truth["mains_failed_at"], how=how))
    tell(Said("cli.forecast_it_outlast_replay_site_every", value=folder / "site.toml", log=log))
