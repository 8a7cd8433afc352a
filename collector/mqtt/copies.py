"""Drops copies of messages: a broker may send a message once for each matching filter (MQTT 5.0, 3.3.4)."""

from __future__ import annotations

from collections.abc import Sequence

REMEMBERED = 4096

MOST_NUMBERED = 2000
"""With more filters than this, all are subscribed to in one packet, without identifiers."""


class Copies:
    """Recognises copies of a message by the subscription identifiers with which they are sent.

    The same message with a new identifier is a copy; with an identifier that it already had it was published again.
    """

    def __init__(self) -> None:
        self._newest: dict[str, tuple[bytes, set[int]]] = {}

    def is_copy(self, topic: str, payload: bytes, numbers: Sequence[int]) -> bool:
        """Whether a message is a copy of the topic's last one. numbers : its identifiers; without any it never is."""
        if not numbers:
            return False
        last = self._newest.get(topic)
        if last is not None and last[0] == payload and not last[1] & set(numbers):
            last[1].update(numbers)
            return True
        if len(self._newest) >= REMEMBERED:
            self._newest.clear()
        self._newest[topic] = (payload, set(numbers))
        return False
