"""The text of a TOML file as blocks: each a section with the comments right above it, and a TOML document by itself.

Within a block the TOML library keeps comments and order. A block that is moved or removed takes its comments along.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

HEADER = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_-]+(?:\s*\.\s*[A-Za-z0-9_-]+)*)\s*\]\]?\s*(#.*)?")
"""A line that begins a section. Section names in quotes are not recognised: a site file has none."""


@dataclass(frozen=True, slots=True)
class Block:
    """A section of the text.

    name : str — of the section, dotted; "" for what stands before the first section
    listed : bool — whether it is an element of a list, `[[name]]`
    lead : str — the comment lines right above its header; body : str — the header and what follows it
    """

    name: str
    listed: bool
    lead: str
    body: str

    @property
    def text(self) -> str:
        """As it stands in the file."""
        return self.lead + self.body


def blocks_of(text: str) -> list[Block]:
    """The blocks of a file's text, in order; the first has no section, and may be empty."""
    lines = text.splitlines(keepends=True)
    starts = [number for number, line in enumerate(lines) if HEADER.fullmatch(line.rstrip("\r\n"))]
    leads = [_lead_of(lines, start, floor) for start, floor in zip(starts, [-1, *starts], strict=False)]
    found = [Block("", False, "", "".join(lines[: leads[0] if leads else len(lines)]))]
    for place, start in enumerate(starts):
        end = leads[place + 1] if place + 1 < len(starts) else len(lines)
        header = HEADER.fullmatch(lines[start].rstrip("\r\n"))
        assert header is not None
        name = ".".join(part.strip() for part in header[2].split("."))
        lead, body = "".join(lines[leads[place] : start]), "".join(lines[start:end])
        found.append(Block(name, header[1] == "[[", lead, body))
    return found


def _lead_of(lines: list[str], start: int, floor: int) -> int:
    """The number of the first comment line right above a header, searched down to, but not including, line `floor`."""
    first = start
    while first - 1 > floor and lines[first - 1].lstrip().startswith("#"):
        first -= 1
    return first


def joined(blocks: list[Block]) -> str:
    """The text of blocks one after another. Where any two are set apart by an empty line, all sections are."""
    apart = any(block.text.endswith(("\n\n", "\n\r\n")) for block in blocks[:-1])
    end = "\r\n" if any("\r\n" in block.text for block in blocks) else "\n"
    text = ""
    for block in blocks:
        if text and not text.endswith("\n"):
            text += end
        if apart and text.strip() and block.name and not text.endswith(("\n\n", "\n\r\n")):
            text += end
        text += block.text
    return text.rstrip("\r\n") + end if text.strip() else text
