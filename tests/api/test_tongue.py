"""The language of the command line: chosen once, of help, results and refusals alike; English where none is named."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest
import typer
from typer._click.core import Command

from api.cli import COMMANDS, main
from api.helping import worded
from api.tongue import language_of, speak
from collector.config.settings import load_installation
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import languages, words
from forecaster.texts.failures import failure
from forecaster.twin.styles import Style


@pytest.fixture(autouse=True)
def english_again() -> Iterator[None]:
    yield
    speak((), {})


def commands(command: Command, path: str) -> Iterator[tuple[str, Command]]:
    """A command and all below it, by their paths."""
    yield path, command
    for name, below in getattr(command, "commands", {}).items():
        yield from commands(below, f"{path}.{name}")


def loaded(name: str) -> Command:
    module, _, attribute = COMMANDS[name].partition(":")
    target = getattr(import_module(f"api.commands.{module}"), attribute)
    if not isinstance(target, typer.Typer):
        app = typer.Typer(rich_markup_mode=None, add_completion=False)
        app.command()(target)
        target = app
    return typer.main.get_command(target)


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_parameter_has_its_help(name: str, code: str) -> None:
    """A parameter that the catalogue does not know is a KeyError here."""
    for path, command in commands(worded(loaded(name), name, words(code)), name):
        assert f"outlast {name}" in (command.help or ""), path
        assert all(vars(parameter)["help"] for parameter in command.params)


@pytest.mark.parametrize(
    ("line", "usage"),
    [
        (["size", "--help"], "Uso: outlast size [OPCIONES] {CASA.toml}\n"),
        (["alarms", "--help"], "Uso: outlast alarms [OPCIONES] ORDEN [ARGUMENTOS]...\n"),
    ],
)
def test_the_first_line_of_a_help_text_is_in_the_language(
    line: list[str], usage: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OUTLAST_WORDS__LANGUAGE", "es")
    assert main(line) == 0
    assert capsys.readouterr().out.startswith(usage)


def test_the_help_of_simulate_names_every_style() -> None:
    assert all(style.value in words()("command.any.style") for style in Style)


@pytest.mark.parametrize(
    ("environ", "written", "expected"),
    [
        ({}, "", "en"),
        ({"LANG": "C.UTF-8"}, "", "en"),
        ({"LANG": "es_MX.UTF-8"}, "", "es"),
        ({"LANG": "en_GB.UTF-8", "LC_MESSAGES": "es_ES"}, "", "es"),
        ({"LANG": "es_ES.UTF-8", "LC_ALL": "C"}, "", "en"),
        ({"LANG": "es_ES.UTF-8"}, 'language = "en"', "en"),
        ({}, 'language = "es"', "es"),
        ({"OUTLAST_WORDS__LANGUAGE": "en"}, 'language = "es"', "en"),
        ({"OUTLAST_WORDS__LANGUAGE": "xx"}, "", "en"),
    ],
)
def test_the_language_is_told_by_environment_file_and_machine(
    tmp_path: Path, environ: dict[str, str], written: str, expected: str
) -> None:
    """LC_ALL over LC_MESSAGES over LANG: POSIX.1-2017, Base Definitions, section 8.2."""
    (tmp_path / "outlast.toml").write_text(f"[words]\n{written}\n")
    for named in (["--config", str(tmp_path)], [f"--config={tmp_path}"]):
        assert language_of(["report", *named], environ) == expected
    assert language_of(["report"], {**environ, "OUTLAST_CONFIG": str(tmp_path)}) == expected


@pytest.mark.parametrize("text", ["[words\nlanguage = 3", "[words]\nlanguage = 3", "words = 3", "\udcff"])
def test_a_file_that_cannot_be_read_names_no_language(tmp_path: Path, text: str) -> None:
    (tmp_path / "outlast.toml").write_text(text, encoding="utf-8", errors="surrogateescape")
    assert language_of(["run", "--config", str(tmp_path)], {}) == "en"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (["run", "--config", "/nowhere"], "outlast run: /nowhere: no existe esa carpeta; indique una instalación"),
        (["forecats"], "outlast: no hay ninguna orden 'forecats'; ¿quería decir `outlast forecast`?"),
        (["size"], "outlast size: Falta el argumento 'CASA.toml'; `outlast size --help` dice más"),
        (["size", "x.toml", "--charge", "a"], "Valor no válido para '--charge': 'a' no es un número; escríbalo como"),
        (["collect", "--share", "7/5"], "--share '7/5' no es una parte; escríbala como 2/5"),
    ],
)
def test_refusals_are_in_the_language(
    line: list[str], told: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OUTLAST_WORDS__LANGUAGE", "es")
    assert main(line) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(("own", "first"), [("", "No: según sus datos"), ('language = "en"', "No: by its ratings")])
def test_sizing_speaks_the_command_lines_language_where_the_site_has_none(
    tmp_path: Path, own: str, first: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OUTLAST_WORDS__LANGUAGE", "es")
    asked = tmp_path / "larkspur.toml"
    asked.write_text(
        f'id = "larkspur"\nname = "Larkspur"\ntimezone = "America/Chicago"\n{own}\n'
        "[pump]\nrated_voltage_v = 115\nrated_current_a = 5.2\n[pack]\ncapacity_wh = 1024\nsurge_w = 1800\n"
    )
    assert main(["size", str(asked), "--cycles-per-hour", "20", "--run-s", "10"]) == 1
    assert capsys.readouterr().out.startswith(first)


def test_what_an_option_takes_from_where_is_in_the_language(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OUTLAST_WORDS__LANGUAGE", "es")
    assert main(["check", "--help"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "[variable de entorno: OUTLAST_CONFIG; por omisión: .]" in told
    assert "[por omisión: 30.0; x>=0.1]" in told
    assert main(["alarms", "shelve", "--help"]) == 0
    assert "[por omisión: la línea de órdenes]" in " ".join(capsys.readouterr().out.split())


WRONG = {
    "client_id = 3": "broker.client_id: debe ser un texto válido, no 3; escriba por ejemplo client_id = ",
    'url = "http://x"': "broker.url: 'http://x' no es un broker; escriba mqtt://host:1883",
    'urll = "embedded"': "broker.urll: clave desconocida; ¿quería decir 'url'?",
    "listen_port = 70000": "broker.listen_port: debe ser menor o igual que 65535, no 70000; escriba por ejemplo",
    'listen_port = "many"': "broker.listen_port: debe ser un entero válido; el texto no se puede leer como entero",
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_setting_is_told_in_both_languages(tmp_path: Path, wrong: str) -> None:
    (tmp_path / "outlast.toml").write_text(f"[broker]\n{wrong}\n")
    with pytest.raises(ConfigError) as raised:
        load_installation(tmp_path)
    assert failure(raised.value, words()) == str(raised.value)
    assert WRONG[wrong] in failure(raised.value, words("es"))
