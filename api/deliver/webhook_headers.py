"""Headers of a webhook that its receiver asks for, as a key: they stand in a file of their own, beside the settings."""

from __future__ import annotations

import re
from pathlib import Path

from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said

LINE = re.compile(r"([!#$%&'*+.^_`|~0-9A-Za-z-]+):[ \t]*([\x20-\x7e]*)")
"""A field line of printable ASCII (RFC 9110 section 5)."""

OWN = frozenset({"host", "content-length", "transfer-encoding", "connection", "idempotency-key", "user-agent"})
"""Headers that are the program's own to set."""


def headers_of(path: Path, key: str = "webhook_headers_file") -> dict[str, str]:
    """The headers in a file, one `Name: value` a line; empty lines and those with # are passed over.

    Errors: ConfigError with file, problem and mend.
    """
    try:
        lines = path.read_text(encoding="ascii").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            str(path), key, Said("config.the_headers_cannot_be_read", error=str(error)), Said("config.mend_the_file")
        ) from error
    found = {}
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        match = LINE.fullmatch(line.strip())
        if match is None:
            raise ConfigError(
                str(path), key, Said("config.line_is_no_header", number=number), Said("config.write_name_value")
            )
        name, value = match.groups()
        if name.lower() in OWN or name.lower().startswith("outlast-"):
            raise ConfigError(
                str(path),
                key,
                Said("config.line_is_set_by_outlast_itself", number=number, name=name),
                Said("config.leave_it_out"),
            )
        found[name] = value.strip()
    return found
