"""Files that come into their place whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def drafted(goal: Path, content: bytes, mode: int) -> Iterator[Path]:
    """A complete file beside its place, flushed to the disk, to be moved or linked there; removed where it is not.

    goal : Path — its place; mode : int — of the file
    Errors: OSError.
    """
    handle, name = tempfile.mkstemp(dir=goal.parent, prefix=".", suffix=".part")
    draft = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), mode)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        yield draft
    finally:
        draft.unlink(missing_ok=True)
