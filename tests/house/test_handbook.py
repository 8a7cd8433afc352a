"""The handbook is in step with the code: reference parts, files to copy, links; commands and settings are all there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from jsonschema_rs import Draft202012Validator, meta

from api.cli import COMMANDS
from collector.config.settings import load_installation, load_site
from collector.config.site_schema import site_schema
from tests.house.reference import HANDBOOK, PART, PARTS, SETTING_SECTIONS, pages, renewed
from tests.house.test_imports import ROOT

TEXTS = dict(pages())
BLOCKS = {
    f"{name}:{text[: found.start()].count(chr(10)) + 2}": found[1]
    for name, text in TEXTS.items()
    for found in re.finditer(r"^```toml\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
}
SITES = {where: block for where, block in BLOCKS.items() if re.search(r"^id = ", block, re.MULTILINE)}
INSTALLATIONS = {where: block for where, block in BLOCKS.items() if block.startswith("[broker]")}
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "deploy" / "RUNBOOK.md", *sorted(HANDBOOK.glob("*.md"))]


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_reference_is_what_the_code_says(name: str) -> None:
    assert TEXTS[name] == renewed(TEXTS[name]), "run `python -m tests.house.reference`"


def test_every_reference_part_has_its_place() -> None:
    placed = [found[2] for text in TEXTS.values() for found in PART.finditer(text)]
    assert sorted(placed) == sorted(PARTS)


def test_there_are_files_to_copy() -> None:
    assert len(SITES) >= 4
    assert INSTALLATIONS


@pytest.mark.parametrize("where", sorted(SITES))
def test_a_copied_site_file_is_taken(where: str, tmp_path: Path) -> None:
    """By the program, and by its own schema."""
    key = tomllib.loads(SITES[where])["id"]
    file = tmp_path / f"{key}.toml"
    file.write_text(SITES[where], encoding="utf-8")
    assert load_site(file).id == key
    Draft202012Validator(site_schema()).validate(tomllib.loads(SITES[where]))


@pytest.mark.parametrize("where", sorted(INSTALLATIONS))
def test_a_copied_installation_file_is_taken(where: str, tmp_path: Path) -> None:
    (tmp_path / "outlast.toml").write_text(INSTALLATIONS[where], encoding="utf-8")
    assert load_installation(tmp_path).folder == tmp_path


def test_the_schema_is_one_and_refuses_what_the_program_refuses() -> None:
    """JSON Schema, draft 2020-12, against its own meta-schema."""
    schema = site_schema()
    meta.validate(schema)
    wrong = tomllib.loads(next(iter(SITES.values())))
    wrong["pack"]["capacity_wh"] = -1
    wrong["pump"]["colour"] = "green"
    found = {"/".join(map(str, error.instance_path)) for error in Draft202012Validator(schema).iter_errors(wrong)}
    assert found == {"pack/capacity_wh", "pump"}


def test_every_command_is_documented() -> None:
    assert set(re.findall(r"^\| `outlast ([a-z]+)`", TEXTS["commands.md"], re.MULTILINE)) == set(COMMANDS)


@pytest.mark.parametrize("section", sorted(SETTING_SECTIONS))
def test_every_setting_is_explained(section: str) -> None:
    """In words, beside the generated tables."""
    rows = dict(re.findall(r"^\| `(\[\w+\])` \| (.*) \|$", TEXTS["settings.md"], re.MULTILINE))
    words = set(re.findall(r"`([a-z_]+)`", rows.get(section, "")))
    assert set(SETTING_SECTIONS[section].model_fields) <= words


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_what_is_linked_exists(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", document.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (document.parent / target).exists(), target


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_the_heading_that_a_link_leads_to_exists(document: Path) -> None:
    for target, heading in re.findall(r"\]\(([^)#\s]*)#([^)\s]+)\)", document.read_text(encoding="utf-8")):
        if "://" not in target:
            text = (document.parent / target if target else document).read_text(encoding="utf-8")
            assert heading in {anchor(line) for line in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}, heading


def anchor(heading: str) -> str:
    """Where a heading is linked to: lower case, words joined by hyphens, no other marks."""
    return re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_a_test_that_is_named_exists(document: Path) -> None:
    for name in re.findall(r"`(?:tests/)?((?:\w+/)+(?:test_)?\w+\.py)\b", document.read_text(encoding="utf-8")):
        found = [ROOT / "tests" / name, ROOT / name, *(ROOT / room / name for room in ("api", "forecaster"))]
        assert any(path.exists() for path in found), name


def test_every_page_is_in_the_index() -> None:
    assert set(re.findall(r"\]\((\w+\.md)\)", TEXTS["index.md"])) == set(TEXTS) - {"index.md"}
