"""A fleet's messages as fast as a broker takes them.

`python -m tests.faults.flood PORT RATE SECONDS SITES QOS` publishes messages of a fleet at a rate, and says how many
and in how many seconds.
"""

from __future__ import annotations

import sys
import time

from tests.bench.fleet import message
from tests.bench.packets import connect, packet, publish


def fleet(count: int, sites: int, begun_ms: int, qos: int = 1) -> list[bytes]:
    """Packets of a fleet's messages, each with a time of its own."""
    made = (message(n % sites, n // sites, begun_ms + n) for n in range(count))
    return [packet(topic, body, number, qos) for number, (topic, body) in enumerate(made)]


def main(port: int, rate: float, seconds: float, sites: int, qos: int) -> None:
    packets = fleet(int(rate * seconds), sites, int(time.time() * 1000) - int(1000 * seconds), qos)
    count, took_s = publish(port, packets, rate, connect("flood"), qos)
    sys.stdout.write(f"{count} {took_s:.1f}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5]))
