"""MQTT topic filters: which are valid, and which channels a topic belongs to (MQTT 5.0 section 4.7)."""

from __future__ import annotations

from typing import Generic, TypeVar

from forecaster.texts.catalogue import Said

T = TypeVar("T")


def filter_problem(text: str) -> str | None:
    """Why a topic filter is not valid; None where it is."""
    if not text:
        return Said("config.it_is_empty")
    if "\0" in text or len(text.encode("utf-8", "surrogatepass")) > 65_535:
        return Said("config.it_holds_a_nul_character_or")
    levels = text.split("/")
    for place, level in enumerate(levels):
        if "#" in level and (level != "#" or place != len(levels) - 1):
            return Said("config.stands_alone_and_last")
        if "+" in level and level != "+":
            return Said("config.stands_alone_between_slashes")
    if text.startswith("$share/"):
        return Said("config.a_shared_filter_would_give_some")
    return None


class _Node(Generic[T]):
    __slots__ = ("below", "here", "rest")

    def __init__(self) -> None:
        self.below: dict[str, _Node[T]] = {}
        self.here: list[T] = []
        self.rest: list[T] = []


class TopicMap(Generic[T]):
    """Objects by topic filter. `match` gives those whose filter matches a topic, in the order in which they were added.

    The matches of recent topics are cached, so that a steady set of topics costs one look-up each.
    """

    REMEMBERED = 4096

    def __init__(self) -> None:
        self._root: _Node[tuple[int, T]] = _Node()
        self._count = 0
        self._seen: dict[str, tuple[T, ...]] = {}

    def add(self, topic_filter: str, thing: T) -> None:
        """Add an object under a filter. ValueError where the filter is not valid."""
        problem = filter_problem(topic_filter)
        if problem:
            raise ValueError(f"{topic_filter!r}: {problem}")
        node = self._root
        levels = topic_filter.split("/")
        entry = (self._count, thing)
        self._count += 1
        self._seen.clear()
        for level in levels:
            if level == "#":
                node.rest.append(entry)
                return
            node = node.below.setdefault(level, _Node())
        node.here.append(entry)

    def match(self, topic: str) -> tuple[T, ...]:
        """The objects under filters that match the topic."""
        found = self._seen.get(topic)
        if found is None:
            if len(self._seen) >= self.REMEMBERED:
                self._seen.clear()
            found = self._seen[topic] = self._walk(topic)
        return found

    def _walk(self, topic: str) -> tuple[T, ...]:
        levels = topic.split("/")
        hits: list[tuple[int, T]] = []
        nodes = [self._root]
        for depth, level in enumerate(levels):
            hidden = depth == 0 and topic.startswith("$")  # wildcards do not take $SYS and its like
            following: list[_Node[tuple[int, T]]] = []
            for node in nodes:
                if not hidden:
                    hits.extend(node.rest)
                    if "+" in node.below:
                        following.append(node.below["+"])
                if level in node.below and level != "+":
                    following.append(node.below[level])
            nodes = following
        for node in nodes:
            hits.extend(node.here)
            hits.extend(node.rest)
        return tuple(thing for _, thing in sorted(hits, key=lambda hit: hit[0]))
