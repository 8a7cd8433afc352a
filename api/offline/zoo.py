"""The zoo scored: every row in every seed's house, its messages decoded as the collector decodes them."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from pathlib import Path

from collector.decode.payload import Decoded, Decoder
from collector.guard.guard import ChannelGuard
from forecaster.domain.errors import UsageError
from forecaster.domain.readings import Reading
from forecaster.score.zoo_kept import in_order, line_of, outcomes_of, whole_part
from forecaster.score.zoo_walk import ZooOutcome, walk_case
from forecaster.texts.catalogue import Said
from forecaster.twin.zoo.cases import ZooCase, zoo_case
from forecaster.twin.zoo.rows import ROWS, ZooGroup, ZooRow

BY_NAME = {row.name: row for row in ROWS}


def rows_named(names: str) -> tuple[ZooRow, ...]:
    """The rows of a list of names and groups, comma between; "all" is every row."""
    wanted = [name.strip() for name in names.split(",") if name.strip()]
    known = {row.name for row in ROWS} | {group.value for group in ZooGroup} | {"all"}
    strange = [name for name in wanted if name not in known]
    if strange or not wanted:
        raise UsageError(
            Said("usage.no_row_in_the_zoo", value=", ".join(strange) or names),
            Said("usage.take_all_a_group_or_a", names=", ".join(ZooGroup), name=ROWS[0].name),
        )
    return tuple(row for row in ROWS if {"all", row.name, row.group.value} & set(wanted))


def heard(case: ZooCase, guard: ChannelGuard) -> Iterator[Reading]:
    """The readings of a case in order of arrival, as the collector would decode and admit them."""
    if case.plain:
        topics = {(channel.quantity, channel.of): channel.topic for channel in case.site.channels}
        for reading in case.readings:
            found = Decoded((reading,))
            yield from guard.admit(topics[reading.quantity, reading.subject], b"", found).readings
        return
    decoder = Decoder([case.site])
    for message in case.messages:
        found = decoder.decode(message.topic, message.payload, message.at_ms)
        yield from guard.admit(message.topic, message.payload, found).readings


def score_row(place: tuple[str, int]) -> ZooOutcome:
    """Score one row in the house of one seed. place : name of the row, and the seed."""
    case = zoo_case(BY_NAME[place[0]], place[1])
    guard = ChannelGuard([case.site])
    return walk_case(case, heard(case, guard), lambda: guard.facts().get(case.site.id, ()))


def score_zoo(rows: Sequence[ZooRow], seeds: range, *, workers: int) -> Iterator[ZooOutcome]:
    """Score every row in the house of every seed, row by row, in the order of the seeds."""
    yield from _scored(_places(rows, seeds), workers)


def score_zoo_on(kept: Path, rows: Sequence[ZooRow], seeds: range, *, workers: int) -> list[ZooOutcome]:
    """As `score_zoo`, but what stands in a file is not walked again, and what is walked is added to it as it comes.

    kept : Path — lines of JSON, one an outcome; several files put one after another are one. Errors: UsageError where a
        line is no outcome; OSError
    """
    text = whole_part(kept.read_bytes()) if kept.exists() else b""
    found = outcomes_of(text, str(kept))
    places = _places(rows, seeds)
    with kept.open("ab") as file:
        file.truncate(len(text))
        for outcome in _scored([place for place in places if place not in found], workers):
            file.write(line_of(outcome))
            file.flush()
            found[outcome.row, outcome.seed] = outcome
    return in_order(found, places)


def _places(rows: Sequence[ZooRow], seeds: range) -> list[tuple[str, int]]:
    return [(row.name, seed) for row in rows for seed in seeds]


def _scored(places: Sequence[tuple[str, int]], workers: int) -> Iterator[ZooOutcome]:
    if workers <= 1 or len(places) <= 1:
        yield from map(score_row, places)
        return
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        yield from pool.imap(score_row, places, chunksize=1)
