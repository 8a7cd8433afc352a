"""One copy of a message: a broker may send it once for each of our filters that takes it (MQTT 5.0, 3.3.4)."""

from __future__ import annotations

from collections.abc import Sequence

REMEMBERED = 4096

MOST_NUMBERED = 2000
"""With more filters they are asked for in one packet, without a number each."""


class Copies:
    """Tells the copies of one message apart by the numbers of the filters for which they are sent.

    The same message under another filter's number is a copy; under a number that it had already it was sent anew.
    """

    def __init__(self) -> None:
        self._newest: dict[str, tuple[bytes, set[int]]] = {}

    def is_copy(self, topic: str, payload: bytes, numbers: Sequence[int]) -> bool:
        """Whether a message is a copy of the topic's last. numbers : of the filters; without any it never is."""
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
