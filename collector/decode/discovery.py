"""What a broker offers, for set-up: topics, the fields of their payloads, and what each field may be."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from collector.decode.behaviour import Behaviour, Key, behaviours
from collector.decode.senml import looks_like_pack, resolve
from collector.decode.steps import HeardValues, thinned
from collector.decode.strict_json import MAX_BYTES, parse
from collector.decode.suggestion import Suggestion, named_in, suggestion
from collector.decode.values import NO, YES, number, source_time_ms
from forecaster.domain.errors import PayloadError
from forecaster.domain.names import hidden, legible
from forecaster.domain.quantities import Quantity

MOST_TOPICS = 500
MOST_FIELDS = 60
MOST_VALUES = 5
MOST_SERIES = 400
"""Fields whose values are kept over time, to look at how they behave."""
GREATEST = 1e12
"""Greatest size of a value that is kept over time: no device tells more, and sums of it stay finite."""
LONGEST_NAME, LONGEST_VALUE = 200, 64
"""Of a field [characters]; a longer name is passed over, a longer text is cut: what is kept here has an end."""

PLAIN_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)

TIME_NAMES = re.compile(r"(time|timestamp|ts|date|at|updated)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class FieldHeard:
    """One field of a topic's payloads.

    path : str | None — JSONPath, or the record's name in a SenML pack; None: the payload itself
    kind : str — "number", "yes-no", "time" or "text"
    values : tuple[str, ...] — some of the values, newest last
    said : Suggestion — what its name and its behaviour suggest, with the reasons
    heard_s : float — when it was last heard, by the clock of the listener
    """

    path: str | None
    kind: str
    values: tuple[str, ...]
    said: Suggestion
    heard_s: float

    @property
    def quantity(self) -> Quantity | None:
        """What is proposed for it, None: nothing."""
        return self.said.quantity

    @property
    def unit(self) -> str | None:
        """The unit that is proposed for it."""
        return self.said.unit


@dataclass(frozen=True, slots=True)
class TopicHeard:
    """One topic: how many messages, whether all were retained ones, its format and its fields."""

    topic: str
    messages: int
    retained_only: bool
    format: str
    fields: tuple[FieldHeard, ...]
    time_path: str | None


@dataclass(slots=True)
class _Topic:
    messages: int = 0
    live: bool = False
    format: str = "auto"
    values: dict[str | None, list[Any]] = field(default_factory=dict)
    heard_s: dict[str | None, float] = field(default_factory=dict)


class Discovery:
    """Collects what is heard; the caller hands over the messages. clock : monotonic [s]"""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._topics: dict[str, _Topic] = {}
        self._series: dict[Key, tuple[list[float], list[float]]] = {}
        self._lock = threading.Lock()

    def hear(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take one message, from any thread. A payload that cannot be read is counted, and has no fields."""
        with self._lock:
            if topic not in self._topics and len(self._topics) >= MOST_TOPICS:
                return
            found = self._topics.setdefault(topic, _Topic())
            found.messages += 1
            if hidden(topic) is not None:  # no channel may name it, so there is nothing to choose
                return
            found.live = found.live or not retained
            pack, values = _fields(payload)
            found.format = "senml" if pack else found.format
            for path, value in values[:MOST_FIELDS]:
                if path is not None and len(path) > LONGEST_NAME:
                    continue
                if path in found.values or len(found.values) < MOST_FIELDS:
                    found.values.setdefault(path, []).append(value[:LONGEST_VALUE] if type(value) is str else value)
                    del found.values[path][:-MOST_VALUES]
                    found.heard_s[path] = self._clock()
                    if not retained:
                        self._follow((topic, path), value)

    def _follow(self, key: Key, value: Any) -> None:
        """Keep a value with its time, where it is a number or yes/no. Memory alone tells nothing of behaviour."""
        figure = _figure(value)
        if figure is None or abs(figure) > GREATEST or (key not in self._series and len(self._series) >= MOST_SERIES):
            return
        times, values = self._series.setdefault(key, ([], []))
        times.append(self._clock())
        values.append(figure)
        thinned(times, values)

    def topics(self) -> tuple[TopicHeard, ...]:
        """What was heard, by topic; messages are taken meanwhile."""
        return _all_told(*self._copied())

    def _copied(self) -> tuple[dict[str, _Topic], dict[Key, tuple[list[float], list[float]]]]:
        with self._lock:
            topics = {
                topic: _Topic(
                    found.messages, found.live, found.format,
                    {path: list(values) for path, values in found.values.items()}, dict(found.heard_s),
                )
                for topic, found in self._topics.items()
            }  # fmt: skip
            series = {key: (list(times), list(values)) for key, (times, values) in self._series.items()}
            return topics, series


def _all_told(
    topics: Mapping[str, _Topic], series: Mapping[Key, tuple[list[float], list[float]]]
) -> tuple[TopicHeard, ...]:
    kinds = {
        (topic, path): _kind(path, values) for topic, found in topics.items() for path, values in found.values.items()
    }
    heard = {
        key: HeardValues(tuple(times), tuple(values), kinds.get(key) == "yes-no")
        for key, (times, values) in series.items() if kinds.get(key) in ("number", "yes-no")
    }  # fmt: skip
    packs = frozenset(key[0] for key, kind in kinds.items() if _is_charge(named_in(*key, kind)))
    told = behaviours(heard, packs)
    return tuple(_told(topic, topics[topic], told) for topic in sorted(topics))


def _fields(payload: bytes) -> tuple[bool, list[tuple[str | None, Any]]]:
    """Whether a payload is a SenML pack, and its fields with their values."""
    if len(payload) > MAX_BYTES:
        return False, []
    try:
        value = parse(payload)
    except PayloadError:
        try:
            return False, [(None, payload.decode())]
        except UnicodeDecodeError:
            return False, []
    try:
        if looks_like_pack(value):
            return True, [(record.name, record.value) for record in resolve(value) if not hidden(record.name)]
    except PayloadError:
        return False, []
    if isinstance(value, dict | list):
        return False, list(_leaves("$", value))
    return False, [(None, value)]


def _leaves(path: str, value: Any) -> list[tuple[str | None, Any]]:
    if isinstance(value, dict):
        steps = ((f".{k}" if PLAIN_NAME.fullmatch(k) else f"[{_quoted(k)}]", v) for k, v in value.items())
        return [leaf for step, inner in steps for leaf in _leaves(path + step, inner)]
    if isinstance(value, list):
        return [leaf for place, inner in enumerate(value[:8]) for leaf in _leaves(f"{path}[{place}]", inner)]
    return [(path, value)]


def _quoted(name: str) -> str:
    """A name in a path; what nobody sees is written as an escape, which means the same (RFC 9535 section 2.3.1)."""
    return "'" + legible(name.replace("\\", "\\\\").replace("'", "\\'")) + "'"


def _told(topic: str, found: _Topic, behaving: Mapping[Key, Behaviour]) -> TopicHeard:
    fields = tuple(
        _field(topic, path, values, behaving.get((topic, path)), found.heard_s[path])
        for path, values in found.values.items()
    )
    times = [f.path for f in fields if f.kind == "time"]
    return TopicHeard(legible(topic), found.messages, not found.live, found.format, fields, times[0] if times else None)


def _field(topic: str, path: str | None, values: list[Any], behaving: Behaviour | None, heard_s: float) -> FieldHeard:
    kind = _kind(path, values)
    figures = [figure for value in values if kind == "number" and (figure := _figure(value)) is not None]
    said = suggestion(named_in(topic, path, kind), figures, behaving)
    return FieldHeard(path, kind, tuple(map(_shown, values)), said, heard_s)


def _shown(value: Any) -> str:
    """A value as it came, but for digits that a conversion has left."""
    text = legible(str(value))
    return f"{value:.6g}" if isinstance(value, float) and len(text) > 10 else text[:40]


def _figure(value: Any) -> float | None:
    """A value as a number, 1 for yes and 0 for no; None where it is neither."""
    if isinstance(value, bool):
        return float(value)
    word = str(value).lower()
    for words, figure in ((YES, 1.0), (NO, 0.0)):
        if isinstance(value, str) and word in words:
            return figure
    return _numeric(value)


def _numeric(value: Any) -> float | None:
    try:
        return number(value)
    except PayloadError:
        return None


def _is_charge(named: tuple[Quantity, str | None] | None) -> bool:
    return named is not None and named[0] is Quantity.PACK_CHARGE


def _kind(path: str | None, values: list[Any]) -> str:
    if path is not None and TIME_NAMES.search(path.rpartition(".")[2]) and all(map(_is_time, values)):
        return "time"
    words = {str(word).lower() for word in (*YES, *NO) if isinstance(word, str)}
    if all(isinstance(value, bool) or str(value).lower() in words for value in values):
        return "yes-no"
    return "number" if all(_numeric(value) is not None for value in values) else "text"


def _is_time(value: Any) -> bool:
    try:
        return source_time_ms(value) > 946_684_800_000
    except PayloadError:
        return False
