"""What changed limits would have done on the stored readings of the last year, as the page shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from api.process.yeartrials import RaisedThen, YearResult, YearTrial
from forecaster.domain.alarms import AlarmKind
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

MOST_MOMENTS = 40
"""Most moments of a kind that are listed, the newest; the others are counted."""

WHOLE_YEAR_DAYS = 364


@dataclass(frozen=True, slots=True)
class YearLine:
    """A kind of alarm: how often, and when, each set of limits would have raised it.

    before, after : moments in words, the newest first; more_before, more_after : how many older ones are left out
    differs : bool — whether the two sets of limits differ in it
    """

    kind: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    count_before: int
    count_after: int
    differs: bool


@dataclass(frozen=True, slots=True)
class YearContext:
    """The page of a trial.

    running : bool — how far it has come is in `progress`, in words; "" before the first day is done
    failed : str — why there is no result, "" where there is one
    lead : what was replayed, in words, with what is missing of a year; lines : kinds that either set raised
    untried : kinds that are not tried, in words; form : the form's fields, so that it can be saved from here
    """

    running: bool
    progress: str
    failed: str
    lead: tuple[str, ...]
    lines: tuple[YearLine, ...]
    untried: tuple[str, ...]
    form: Mapping[str, str]
    shown: str


def year_context(trial: YearTrial, stamp: str, site: Site, words: Words, now_ms: int) -> YearContext:
    """A trial in words. stamp : str — of the site file that is tried"""
    wording = Wording.of(site, words)
    form = {key: value for key, value in trial.form.items() if key not in UNKEPT}
    result = trial.found()
    if result is None:
        told = trial.told()
        return YearContext(
            trial.running, _progress(told, wording, now_ms), "" if trial.running else told or words("edit.year.failed"),
            (), (), (), form, stamp,
        )  # fmt: skip
    kinds = [kind.value for kind in AlarmKind if any(one.kind == kind for said in result.alarms for one in said)]
    before, after = result.alarms[0], result.alarms[-1]
    return YearContext(
        False, "", "", tuple(_lead(result, words, wording, now_ms)),
        tuple(_line(kind, before, after, words, wording, now_ms) for kind in kinds),
        tuple(words(f"alarms.kind.{kind}") for kind in result.not_tried), form, stamp,
    )  # fmt: skip


UNKEPT = frozenset({"do", "shown", "form_token", "by"})


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def _progress(told: str, wording: Wording, now_ms: int) -> str:
    """The moment in the child's last line; "" where it says none."""
    try:
        return wording.clock(_ms(told.split()[-1].rstrip(".")), now_ms) if told else ""
    except ValueError:
        return ""


def _lead(result: YearResult, words: Words, wording: Wording, now_ms: int) -> list[str]:
    if result.start is None or result.end is None:
        return [words("edit.year.nothing")]
    start_ms, end_ms = _ms(result.start), _ms(result.end)
    days = round((end_ms - start_ms) / DAY_MS)
    start, end = wording.clock(start_ms, now_ms), wording.clock(end_ms, now_ms)
    lead = [words("edit.year.span", start=start, end=end, n=days)]
    if days < WHOLE_YEAR_DAYS:
        lead.append(words("edit.year.young" if result.whole else "edit.year.cut", n=days))
    return lead


def _line(
    kind: str, before: list[RaisedThen], after: list[RaisedThen], words: Words, wording: Wording, now_ms: int
) -> YearLine:
    old, new = ([one.raised for one in said if one.kind == kind] for said in (before, after))
    moments = [
        tuple(wording.clock(_ms(at), now_ms) for at in sorted(found, reverse=True)[:MOST_MOMENTS])
        for found in (old, new)
    ]
    return YearLine(words(f"alarms.kind.{kind}"), moments[0], moments[1], len(old), len(new), old != new)
