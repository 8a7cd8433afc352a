"""`outlast export`: a site's long record as a file that a spreadsheet, a notebook or a database reads."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated

import typer

from api.commands.common import ConfigDir, tell
from api.commands.durations import span_ms
from api.commands.installed import opened
from api.offline.exporting import write
from forecaster.domain.errors import UsageError
from forecaster.domain.longrecord import ExportFormat, RecordTable
from forecaster.domain.times import DAY_MS
from forecaster.record.reader import Record
from forecaster.texts.catalogue import Said

if TYPE_CHECKING:
    import pandas as pd

PROGRESS_S = 2.0
"""An export that takes longer says on stderr how far it has come."""

Since = Annotated[str | None, typer.Option("--from", metavar="TIME")]
Until = Annotated[str | None, typer.Option("--to", metavar="TIME")]
Out = Annotated[Path | None, typer.Option("--out", metavar="FILE")]


def export(
    site_id: Annotated[str, typer.Argument(metavar="SITE")],
    what: Annotated[RecordTable, typer.Option()] = RecordTable.DAYS,
    since: Since = None,
    until: Until = None,
    form: Annotated[ExportFormat, typer.Option("--format")] = ExportFormat.CSV,
    out: Out = None,
    config: ConfigDir = Path(),
) -> int:
    """Write a site's readings, runs, days, outages, past forecasts or alarms."""
    start_ms, end_ms = span_ms(since, until, time.time_ns() // 1_000_000, 30 * DAY_MS)
    with opened(config) as has, _goal(out) as goal:
        record = Record(has.site(site_id), has.store, has.ledger)
        rows = write(_progress(record.stretches(what, start_ms, end_ms), what), form, goal)
    if out is not None:
        tell(Said("cli.rows_of_written_to", rows=rows, what=what, out=out), err=True)
    return 0


@contextmanager
def _goal(path: Path | None) -> Iterator[IO[bytes]]:
    if path is None:
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as file:
            yield file
        part.replace(path)
    except OSError as error:
        raise UsageError(
            Said("cli.out_cannot_be_written", path=path, strerror=error.strerror), Said("cli.name_another_file")
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _progress(stretches: Iterator[pd.DataFrame], what: RecordTable) -> Iterator[pd.DataFrame]:
    told_s = time.monotonic()
    rows = 0
    for table in stretches:
        rows += len(table)
        if len(table) and time.monotonic() - told_s > PROGRESS_S:
            tell(Said("cli.rows_of_up_to", rows=rows, what=what, isoformat=table.index[-1].isoformat()), err=True)
            told_s = time.monotonic()
        yield table
