"""What the handbook says to type, and what it says is printed: fenced blocks, read in order and run as they stand.

`sh` is typed into bash, `python` is run, and a `text` block right after either is what it prints: `…` stands for
anything within a line, and alone on a line for any lines. A block whose first line names a file, as `# receiver.py`,
is written there instead, without that line where it is `text`. A command that does not end by itself, `outlast run`,
is started by the test and passed over.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.engines import ROOT

HANDBOOK = ROOT / "deploy" / "handbook"
FENCED = re.compile(r"^```(\w*)\n(.*?)^```\n", re.DOTALL | re.MULTILINE)
FILE = re.compile(r"# (\S+[./]\S+)(?=\n)")
ENDLESS = re.compile(r"outlast (run|demo|serve|collect|forecast)\b.*")
TYPED = ("sh", "python")
TOOLS = ("curl", "jq", "mosquitto_sub", "mosquitto_pub", "mosquitto_rr", "promtool", "prometheus")
LONGEST_S = 900


@dataclass(frozen=True)
class Block:
    """A fenced block: where it stands, of what kind it is, and what is printed, None where that is not told."""

    page: str
    line: int
    kind: str
    text: str
    printed: str | None

    @property
    def where(self) -> str:
        return f"{self.page}:{self.line}"

    @property
    def file(self) -> str | None:
        """The file that the block is."""
        named = FILE.match(self.text)
        return None if named is None else named[1]

    @property
    def endless(self) -> bool:
        """Whether it is one command that does not end by itself."""
        return self.kind == "sh" and ENDLESS.fullmatch(self.text.strip()) is not None


def printed(block: re.Match[str]) -> bool:
    """Whether a fenced block is what is printed, and no file."""
    return block[1] == "text" and FILE.match(block[2]) is None


def blocks(page: str) -> Iterator[Block]:
    """The blocks of a page of the handbook, in order; what is printed belongs to the block before it."""
    text = (HANDBOOK / page).read_text(encoding="utf-8")
    found = list(FENCED.finditer(text))
    for at, match in enumerate(found):
        after = found[at + 1] if at + 1 < len(found) else None
        told = after is not None and printed(after) and not text[match.end() : after.start()].strip()
        if not printed(match):
            line = text[: match.start()].count("\n") + 1
            yield Block(page, line, match[1], match[2], after[2] if told and after is not None else None)


def pattern(told: str) -> re.Pattern[str]:
    """What is printed, as an expression: `…` is anything within a line, and alone on a line any lines."""
    lines = [
        r"(?:.*\n)*?" if line == "…" else ".*?".join(map(re.escape, line.split("…"))) + r"\n"
        for line in told.splitlines()
    ]
    return re.compile("".join(lines))


@dataclass(frozen=True)
class Place:
    """A folder in which blocks are typed.

    ours : Mapping[str, str] — what stands in the handbook, as an address, and what it is here
    """

    folder: Path
    ours: Mapping[str, str]

    def here(self, text: str) -> str:
        """A text of the handbook with the addresses of this place."""
        for theirs, here in self.ours.items():
            text = text.replace(theirs, here)
        return text

    def prepare(self) -> None:
        """Put `outlast` and `python3` of this interpreter on the path, and a `curl` that notes what it is asked."""
        assert all(map(shutil.which, TOOLS)), f"the examples need {', '.join(TOOLS)}"
        tools = self.folder / "bin"
        tools.mkdir(exist_ok=True)
        for name, line in (
            ("outlast", f'exec {sys.executable} -m api "$@"'),
            ("python3", f'exec {sys.executable} "$@"'),
            (
                "curl",
                f'echo "$*" | tr "\\n" " " >> {self.noted}; echo >> {self.noted}; exec {shutil.which("curl")} "$@"',
            ),
        ):
            script = tools / name
            script.write_text(f"#!/bin/sh\n{line}\n")
            script.chmod(0o755)

    @property
    def noted(self) -> Path:
        """What curl was asked, a line each."""
        return self.folder / "asked.txt"

    def asked(self) -> set[tuple[str, str]]:
        """What curl has asked of the API, as (method, path)."""
        found = set()
        for line in self.noted.read_text().splitlines():
            method = re.search(r"-X (\w+)", line)
            told = method[1] if method else "POST" if re.search(r" -d ", line) else "GET"
            found |= {(told, path) for path in re.findall(r"http://[^/\s]+(/[^\s?]*)", line)}
        return found

    def typed(self, block: Block) -> tuple[str, int]:
        """Run a block, or write its file. Returns what it prints, in the words of the handbook, and how it ends."""
        text = self.here(block.text)
        if block.file is not None:
            (self.folder / block.file).parent.mkdir(parents=True, exist_ok=True)
            (self.folder / block.file).write_text(text.partition("\n")[2] if block.kind == "text" else text)
            return "", 0
        words = ["bash", "-eo", "pipefail", "-c", text] if block.kind == "sh" else ["python3", "-c", text]
        env = {
            "PATH": f"{self.folder / 'bin'}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT), "HOME": str(self.folder),
            "PYTHONUNBUFFERED": "1", "LANG": "C.UTF-8", "OPENBLAS_NUM_THREADS": "1",
        }  # fmt: skip
        out = self.folder / "printed.txt"
        with out.open("wb") as printed:
            done = subprocess.run(
                words,
                cwd=self.folder,
                env=env,
                stdout=printed,
                stderr=subprocess.STDOUT,
                timeout=LONGEST_S,
                check=False,
            )
        said = out.read_text()
        for theirs, here in self.ours.items():
            said = said.replace(here, theirs)
        return said, done.returncode
