"""Secrets that this installation makes for itself at the first start, in files that only their owner can read."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said


def private_bytes(path: Path, made: bytes) -> bytes:
    """The content of a private file; written with mode 0600 from `made` where it does not exist yet.

    Two processes that start at the same time agree: the complete file is linked into place, and the first one wins.
    """
    if not path.exists():
        draft = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
        try:
            handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(made)
                file.flush()
                os.fsync(file.fileno())
            try:
                path.hardlink_to(draft)
            except FileExistsError:
                pass
            finally:
                draft.unlink()
        except OSError as error:
            raise ConfigError(
                str(path),
                "",
                Said("config.it_cannot_be_written", error=str(error)),
                Said("config.mend_the_folders_owner"),
            ) from error
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConfigError(
            str(path), "", Said("config.it_cannot_be_read_2", error=str(error)), Said("config.mend_the_files_owner")
        ) from error
