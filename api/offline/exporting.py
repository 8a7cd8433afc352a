"""The long record written out: CSV, JSON Lines or Parquet, a stretch at a time, so that years need little memory."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import IO, TYPE_CHECKING

from forecaster.domain.errors import UsageError
from forecaster.domain.longrecord import ExportFormat
from forecaster.texts.catalogue import Said

if TYPE_CHECKING:
    import pandas as pd

TIME_FORMAT = "%Y-%m-%dT%H:%M:%S.%f"


def write(stretches: Iterable[pd.DataFrame], form: ExportFormat, out: IO[bytes]) -> int:
    """Write frames one after the other as one document. Returns the number of rows.

    stretches : frames with the same columns; times are written as RFC 3339 in UTC, unknown values as empty or null
    Errors: UsageError where Parquet is asked for and its library is missing; OSError from `out`.
    """
    writers: dict[ExportFormat, Callable[[Iterator[pd.DataFrame], IO[bytes]], int]] = {
        ExportFormat.CSV: _csv,
        ExportFormat.JSONL: _jsonl,
        ExportFormat.PARQUET: _parquet,
    }
    return writers[form](iter(stretches), out)


def _csv(stretches: Iterator[pd.DataFrame], out: IO[bytes]) -> int:
    rows = 0
    for number, table in enumerate(stretches):
        out.write(_told(table).to_csv(index=False, header=number == 0, lineterminator="\n").encode())
        rows += len(table)
    return rows


def _jsonl(stretches: Iterator[pd.DataFrame], out: IO[bytes]) -> int:
    rows = 0
    for table in stretches:
        if len(table):
            text = _told(table).to_json(orient="records", lines=True, double_precision=15)
            out.write(text.rstrip("\n").encode() + b"\n")
        rows += len(table)
    return rows


def _parquet(stretches: Iterator[pd.DataFrame], out: IO[bytes]) -> int:
    try:
        import pyarrow
        from pyarrow import parquet
    except ModuleNotFoundError as error:
        raise UsageError(
            Said("usage.format_parquet_pyarrow_is_not_installed"), Said("usage.install_outlast_parquet")
        ) from error
    writer: parquet.ParquetWriter | None = None
    schema: pyarrow.Schema | None = None
    rows = 0
    for table in stretches:
        arrow = pyarrow.Table.from_pandas(table.reset_index(), schema=schema, preserve_index=False)
        if writer is None:
            schema = arrow.schema
            writer = parquet.ParquetWriter(out, schema)
        writer.write_table(arrow)
        rows += len(table)
    if writer is not None:
        writer.close()
    return rows


def _told(table: pd.DataFrame) -> pd.DataFrame:
    """The table with every time as text: RFC 3339 in UTC, to the millisecond."""
    import pandas as pd

    plain = table.reset_index()
    for name, column in plain.items():
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            plain[name] = column.dt.strftime(TIME_FORMAT).str[:-3] + "Z"
    return plain
