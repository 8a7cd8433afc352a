"""Secrets that this installation makes for itself at the first start, in files that only their owner can read."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from collector.config.drafts import drafted
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said


def private_bytes(path: Path, made: bytes) -> bytes:
    """The content of a private file; written with mode 0600 from `made` where it does not exist yet.

    Two processes that start at the same time agree: the complete file is linked into place, and the first one wins.
    """
    if not path.exists():
        try:
            with drafted(path, made, 0o600) as draft, suppress(FileExistsError):
                path.hardlink_to(draft)
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
