"""Secrets that this installation makes for itself at the first start: in files that only their owner can read, or in
the ledger, where machines share one."""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path

from api.process.notes import made_once
from collector.config.drafts import drafted
from collector.config.settings import Installation
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Ledger
from forecaster.texts.catalogue import Said

log = logging.getLogger("outlast.keys")


def own_secret(installation: Installation, ledger: Ledger, name: str, make: Callable[[], str]) -> bytes:
    """A secret that all processes of an installation share, the same ever after.

    In a file of its own; where the ledger is on a server, in the ledger, since machines have no file in common: what
    one of them signs, another one has to recognise. A file from before is taken up, the first machine's if they differ.
    Errors: ConfigError where a file can be neither made nor read; StoreUnavailable.
    """
    file = installation.own_file(name)
    if not installation.shares_ledger:
        return private_bytes(file, make().encode())
    own = _read(file) if file.exists() else None
    kept = made_once(ledger, f"secret:{name}", make if own is None else own.decode).encode()
    if own not in (None, kept):
        _warn_of(file)
    return kept


@cache
def _warn_of(file: Path) -> None:
    """Once a process: pages ask for the key each time."""
    log.warning("%s is another key than the one that the machines share in the ledger, and is not used", file)


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
    return _read(path)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConfigError(
            str(path), "", Said("config.it_cannot_be_read_2", error=str(error)), Said("config.mend_the_files_owner")
        ) from error
