"""Every command and every setting is in the README, and nothing there that is not in the program."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

from api.cli import COMMANDS
from collector.config.settings import Installation, InstallationSection, load_installation

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    return README.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]


def test_every_command_is_documented() -> None:
    told = set(re.findall(r"`outlast ([a-z]+)", section("Commands")))
    assert told == set(COMMANDS)


def test_every_setting_is_documented(tmp_path: Path) -> None:
    (tmp_path / "outlast.toml").write_text("", encoding="utf-8")
    installation = load_installation(tmp_path)
    rows = dict(re.findall(r"^\| `\[(\w+)\]` \| (.*) \|$", section("Settings"), flags=re.MULTILINE))
    sections = {
        f.name: getattr(installation, f.name)
        for f in dataclasses.fields(Installation)
        if isinstance(getattr(installation, f.name), InstallationSection)
    }
    assert set(rows) == set(sections)
    for name, value in sections.items():
        words = set(re.findall(r"`([a-z_]+)`", rows[name]))
        settings = set(type(value).model_fields)
        assert settings <= words, f"[{name}] lacks {sorted(settings - words)}"
