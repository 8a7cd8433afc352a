"""Outcomes of the zoo as lines of JSON, so that a long walk can be stopped, gone on with, and pooled."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from forecaster.decoding.typed import from_json
from forecaster.domain.errors import UsageError
from forecaster.score.zoo_walk import ZooOutcome
from forecaster.texts.catalogue import Said


def line_of(outcome: ZooOutcome) -> bytes:
    """An outcome as a line of JSON, newline included."""
    return msgspec.json.encode(outcome) + b"\n"


def whole_part(text: bytes) -> bytes:
    """The text up to the last newline: a walk that was killed may have left half a line behind it."""
    return text[: text.rfind(b"\n") + 1]


def outcomes_of(text: bytes, name: str) -> dict[tuple[str, int], ZooOutcome]:
    """The outcomes in lines of JSON, by row and seed. Of one that stands there twice the first counts.

    name : str — what the text is called in an error. UsageError where a line is not an outcome.
    """
    found: dict[tuple[str, int], ZooOutcome] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            outcome = from_json(line, ZooOutcome)
        except msgspec.MsgspecError as error:
            raise UsageError(
                Said("usage.no_outcome_of_the_zoo", name=name, number=number, error=str(error)),
                Said("usage.walk_into_another_file"),
            ) from error
        found.setdefault((outcome.row, outcome.seed), outcome)
    return found


def in_order(found: dict[tuple[str, int], ZooOutcome], places: Iterable[tuple[str, int]]) -> list[ZooOutcome]:
    """The outcomes of some rows and seeds, in their order; each of them is there."""
    return [found[place] for place in places]
