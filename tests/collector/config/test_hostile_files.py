"""Site files that are too large, too deep, or no files: each is set aside within bounds, and the others are read."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.config.set_aside import MOST_FAULTY, find_sites
from collector.config.toml_file import DEEPEST, LIMIT_BYTES
from tests.bench.fleet import SITE

EVIL = SITE.format(id="evil", number=2)
FAULTY = '[[channels]]\nquantity = "pump_power"\ntopic = "cellar/{n}"\nunit = "kg"\n'
CONTACT = '[[contacts]]\nname = "c{n}"\nemail = "c{n}@example.org"\n'


def many(text: str, count: int) -> str:
    return "".join(text.replace("{n}", str(n)) for n in range(count))


TEXTS = {
    "a number of 5,000 digits": (EVIL.replace("115", "1" * 5_000), "thousands of digits"),
    "10 MB of comments": (EVIL + ("#" + "x" * 99 + "\n") * 100_000, "more than 524288 bytes"),
    "a name of 500,000 letters": (EVIL.replace("Cellar 2", "x" * 500_000), "at most 120"),
    "nested 500,000 deep": ("a = " + "[" * 500_000, "nested too deeply"),
    "a key of 200,000 parts": ("a." * 200_000 + "b = 1\n" + EVIL, "nested too deeply"),
    "a key of parts in marks": ('"a" . ' * DEEPEST + "b = 1\n" + EVIL, "nested too deeply"),
    "a table of 200,000 parts": (EVIL + "[" + "a." * 200_000 + "b]\n", "nested too deeply"),
    "5,000 channels of a wrong unit": (EVIL + many(FAULTY, 5_000), "there should be at most 500"),
    "400 channels of a wrong unit": (EVIL + many(FAULTY, 400), f"more than {MOST_FAULTY} channels"),
    "8,000 contacts": (EVIL + many(CONTACT, 8_000), "there should be at most 200"),
    "zeros": (EVIL + "\0" * 100, "not TOML"),
}


@pytest.mark.parametrize("kind", TEXTS)
@pytest.mark.timeout(240)
def test_a_hostile_text_is_set_aside_alone(tmp_path: Path, kind: str) -> None:
    text, says = TEXTS[kind]
    check(tmp_path, lambda path: void(path.write_text(text)), says)


def void(_written: int) -> None:
    """What is written is enough."""


PLACES: dict[str, tuple[Callable[[Path], None], str]] = {
    "a pipe that nobody writes to": (os.mkfifo, "no regular file"),
    "a device without an end": (lambda path: path.symlink_to("/dev/zero"), "no regular file"),
    "a link to itself": (lambda path: path.symlink_to(path), "cannot be read"),
    "a folder": (Path.mkdir, "it is a folder"),
}


@pytest.mark.parametrize("kind", PLACES)
def test_what_is_no_file_is_set_aside_alone(tmp_path: Path, kind: str) -> None:
    check(tmp_path, *PLACES[kind])


def check(folder: Path, make: Callable[[Path], None], says: str) -> None:
    (folder / "good.toml").write_text(SITE.format(id="good", number=1))
    make(folder / "evil.toml")
    found = find_sites(folder, "en")
    assert list(found.sites) == ["good"]
    [aside] = found.set_aside
    assert aside.whole
    assert says in aside.says


def test_a_file_at_the_limit_is_read(tmp_path: Path) -> None:
    text = SITE.format(id="good", number=1)
    (tmp_path / "good.toml").write_text(text + "#" * (LIMIT_BYTES - len(text)))
    assert list(find_sites(tmp_path, "en").sites) == ["good"]


def test_some_faulty_channels_are_left_out_of_a_site(tmp_path: Path) -> None:
    (tmp_path / "good.toml").write_text(SITE.format(id="good", number=1) + many(FAULTY, MOST_FAULTY))
    found = find_sites(tmp_path, "en")
    assert len(found.sites["good"].channels) == 2
    assert len(found.set_aside) == MOST_FAULTY
