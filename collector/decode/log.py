"""Recorded message logs: one JSON object a line, as `mosquitto_sub -F %j` or `-F %J` writes them."""

from __future__ import annotations

import contextlib
import gzip
import io
import re
import sys
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec

from collector.decode.values import source_time_ms
from forecaster.domain.errors import PayloadError, UsageError
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class LoggedMessage:
    """One message of a log.

    tst_ms : int — when it was received, UTC milliseconds
    payload : bytes — as it was sent; a payload logged as JSON is written as JSON again
    """

    tst_ms: int
    topic: str
    payload: bytes
    retained: bool


GZIP = b"\x1f\x8b"
SIGNED = re.compile(r"Z(?=[+-])")
"""mosquitto writes local time, a Z and the offset from UTC; the offset is what counts."""


class _Line(msgspec.Struct):
    tst: str | int | float
    topic: str
    payload: msgspec.Raw = msgspec.Raw(b'""')
    retain: int | bool = 0
    payloadlen: int = 0


_decode_line = msgspec.json.Decoder(_Line).decode
_decode_text = msgspec.json.Decoder(str).decode


class MessageLog:
    """The messages of some logs, one log after the other, in the order of the lines. It can be iterated once.

    sources : names of files, plain or gzip (told by content); "-" is standard input
    strict : whether a line that is not a logged message is an error; otherwise it is skipped and counted, because
        outages damage logs too
    skipped : int — lines skipped so far; first_problem : str | None — what was wrong with the first of them
    Errors: UsageError that names the source, where it cannot be read or, if strict, the line.
    """

    def __init__(self, sources: Iterable[str | Path], *, strict: bool = False) -> None:
        self._sources, self._strict = tuple(sources), strict
        self.skipped = 0
        self.first_problem: str | None = None

    def __iter__(self) -> Iterator[LoggedMessage]:
        for source in self._sources:
            with _opened(source) as lines:
                yield from self._messages(str(source), lines)

    def said(self) -> str | None:
        """A line on what was skipped; None where nothing was."""
        if self.first_problem is None:
            return None
        count = Said("usage.a_line_was") if self.skipped == 1 else Said("usage.lines_were", skipped=self.skipped)
        return Said("usage.passed_over_first_strict_stops_there", count=count, first_problem=self.first_problem)

    def _messages(self, name: str, lines: Iterable[bytes]) -> Iterator[LoggedMessage]:
        place = 0
        try:
            for place, line in enumerate(lines, start=1):
                if line.isspace():
                    continue
                try:
                    message = _message(line, name, place)
                except UsageError as error:
                    self._pass_over(error)
                else:
                    yield message
        except (EOFError, gzip.BadGzipFile, zlib.error) as error:
            self._pass_over(
                UsageError(
                    Said("usage.broken_off_after_line", name=name, place=place, error=str(error)),
                    Said("usage.fetch_the_log_again"),
                )
            )
        except OSError as error:
            raise UsageError(
                Said("usage.cannot_be_read_2", name=name, strerror=error.strerror), Said("usage.look_at_the_file")
            ) from error

    def _pass_over(self, error: UsageError) -> None:
        if self._strict:
            raise error
        self.skipped += 1
        if self.first_problem is None:
            self.first_problem = error.problem


def _message(line: bytes, name: str, place: int) -> LoggedMessage:
    try:
        entry = _decode_line(line)
        raw = bytes(entry.payload)
        payload = _decode_text(raw).encode() if raw[:1] == b'"' else raw
        if raw == b"null" and entry.payloadlen == 0:
            payload = b""  # how mosquitto writes an empty payload
        tst = SIGNED.sub("", entry.tst, count=1) if isinstance(entry.tst, str) else entry.tst
        return LoggedMessage(source_time_ms(tst), entry.topic, payload, bool(entry.retain))
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        problem = Said("usage.line_not_a_logged_message", name=name, place=place, error=str(error))
    except PayloadError as error:
        problem = Said("usage.line_tst", name=name, place=place, reason=error.reason)
    raise UsageError(problem, Said("usage.each_line_needs_tst_topic_and"))


@contextlib.contextmanager
def _opened(source: str | Path) -> Iterator[Iterable[bytes]]:
    if str(source) == "-":
        stream = sys.stdin.buffer
        kept_open = stream if isinstance(stream, io.BufferedReader) else io.BufferedReader(io.BytesIO(stream.read()))
        yield _unpacked(kept_open)
        return
    with contextlib.ExitStack() as stack:
        try:
            file = stack.enter_context(Path(source).open("rb"))
        except OSError as error:
            problem = Said("usage.cannot_be_read", source=source, strerror=error.strerror)
            raise UsageError(problem, Said("usage.name_a_log_file_or_for")) from error
        yield _unpacked(file)


def _unpacked(stream: io.BufferedReader) -> Iterable[bytes]:
    return gzip.GzipFile(fileobj=stream) if stream.peek(2)[:2] == GZIP else stream
