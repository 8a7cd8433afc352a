"""Ask a running Outlast whether it is ready: `ready.py CONFIG_DIR SECONDS`; exit 0 ready, 1 not within the time."""

from __future__ import annotations

import sys
import time
import tomllib
import urllib.error
import urllib.request
from pathlib import Path


def ready_url(config: Path) -> str:
    """The address of /readyz by the installation's own [http] table."""
    file = config / "outlast.toml"
    table = tomllib.loads(file.read_text(encoding="utf-8")).get("http", {}) if file.exists() else {}
    host = table.get("host", "127.0.0.1")
    host = "127.0.0.1" if host in ("0.0.0.0", "::") else host  # every address includes this one
    return f"http://{host}:{table.get('port', 8642)}/readyz"


def is_ready(url: str) -> bool:
    """Whether the server answers 200."""
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, TimeoutError, ConnectionError):
        return False


def main(config: str, limit_s: str) -> int:
    """Ask every half second."""
    url, deadline = ready_url(Path(config)), time.monotonic() + float(limit_s)
    while time.monotonic() < deadline:
        if is_ready(url):
            return 0
        time.sleep(0.5)
    sys.stderr.write(f"outlast: {url} did not answer 200 within {limit_s} s\n")
    return 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
