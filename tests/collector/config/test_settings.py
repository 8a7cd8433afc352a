"""Settings: what is read, what wins, and the one clear line for everything that is wrong."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest

from collector.config.settings import load_installation, load_site, site_toml
from collector.config.site_file import site_from
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.errors import ConfigError
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import AlarmLimits, Units
from tests.collector.examples import LARKSPUR, installation_in


def site_error(folder: Path, old: str, new: str) -> ConfigError:
    assert old in LARKSPUR
    path = folder / "larkspur.toml"
    path.write_text(LARKSPUR.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_site(path)
    error = caught.value
    assert error.file == str(path)
    assert error.fix
    assert "\n" not in str(error)
    return error


def test_a_site_file_is_read_whole(tmp_path: Path) -> None:
    site = load_installation(installation_in(tmp_path)).sites["larkspur"]
    assert site.units is Units.US
    assert site.pump.rated_current_a == (5.2, 5.2)
    assert site.pit.area_m2 == pytest.approx(math.pi * 0.46**2 / 4)
    assert site.pack.nominal_wh == 1024.0
    assert site.channels[0].quantity is Quantity.PUMP_POWER
    assert site.channels[1].true_words == ("WET", "true", 1)
    assert site.contacts[0].minimum_priority is Priority.HIGH
    assert site.contacts[0].quiet_hours == ("22:00", "07:00")
    assert site.weather is not None
    assert site.weather.rain == "$.hourly.rain[*]"


def test_a_site_survives_being_written_and_read(tmp_path: Path) -> None:
    site = load_installation(installation_in(tmp_path)).sites["larkspur"]
    site = dataclasses.replace(
        site,
        name='A "quoted" cellar \\ with\ttab — ümlaut',
        pump=dataclasses.replace(site.pump, rated_current_a=(4.1, 8.8)),
        alarms=AlarmLimits(None, 2.0, {AlarmKind.PUMP_OVERRUN: 120.0}, frozenset({AlarmKind.TEST_DUE})),
        weather=None,
    )
    path = tmp_path / "again.toml"
    path.write_text(site_toml(site), encoding="utf-8")
    assert load_site(path) == site


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("capacity_wh", "capacity_w", "pack.capacity_w", "did you mean 'capacity_wh'?"),
        ("[pack]", "[pakc]", "pakc", "did you mean 'pack'?"),
        ('"pump_power"', '"pump_powr"', "channels[0].quantity", "did you mean 'pump_power'?"),
        ('"high"', '"hihg"', "contacts[0].minimum_priority", "did you mean 'high'?"),
        ("low_reserve_h = 6", "limits = { pump-overun = 1 }", "alarms.limits.pump-overun", "did you mean"),
        ('unit = "W"', 'unit = "degC"', "channels[0].unit", "channel pump_power from 'cellar/plug/state'"),
        ('unit = "mm"', 'unit = "W"', "weather.unit", "does not convert to mm"),
        ("= 115", '= "115"', "pump.rated_voltage_v", "valid number"),
        ("= 115", "= true", "pump.rated_voltage_v", "valid number"),
        ("= 115", "= nan", "pump.rated_voltage_v", "finite"),
        ("rated_voltage_v = 115", "", "pump", "the voltage is missing"),
        ("5.2", "[8.8, 4.1]", "pump.rated_current_a", "the least and the greatest"),
        ('"L"', '"O"', "pump.locked_rotor_code", "not a code letter"),
        ("diameter_m = 0.46", "diameter_m = 0.46\narea_m2 = 0.2", "pit", "keep one of them"),
        ("surge_w = 1800", "surge_w = 100", "pack", "surge_w is below continuous_w"),
        ("watts = 12", "watts = 12\nrun_s = 5", "loads[0]", "belong together"),
        ("$.power", "$.po wer", "channels[0]", "not a JSONPath"),
        ("$.time", "time", "channels[0].time", "not a JSONPath"),
        ("cellar/plug/state", "cellar/#/state", "channels[0].topic", "# stands alone and last"),
        ("America/Chicago", "America/Chicgo", "timezone", "not an IANA time zone"),
        ("critical_reserve_h = 2", "critical_reserve_h = 7", "alarms", "not below low_reserve_h"),
        ('email = "owner@example.org"', "", "contacts[0]", "neither email nor webhook"),
        ("owner@example.org", "nobody", "contacts[0].email", "is not a mail address: it has no @"),
        ("22:00-07:00", "22-7", "contacts[0]", "22:00-07:00"),
        ('id = "larkspur"', 'id = "Larkspur"', "id", "cannot be used here"),
        ('id = "larkspur"', 'id = "larkspur', "", "not TOML"),
        ('true = ["WET", "true", 1]', 'true = ["dry", "true", 1]', "channels[1].false", "means both yes and no"),
        ('topic = "cellar/float"', 'topic = "cellar/float"\nunit = "W"', "channels[1].unit", "yes or no"),
        ('"pump_power"', '"load_power"', "channels[0].of", "does not say of which load"),
        (
            'quantity = "pump_power"',
            'quantity = "load_power"\nof = "ruoter"',
            "channels[0].of",
            "did you mean 'router'",
        ),
        ('"pump_power"', '"pump_current"', "channels[0].unit", "write a unit that converts to A"),
        ('quantity = "pump_power"', 'quantity = "rain_rate"', "channels[0].unit", "mm/hour"),
    ],
)
def test_what_is_wrong_is_told_with_key_and_fix(tmp_path: Path, old: str, new: str, key: str, says: str) -> None:
    error = site_error(tmp_path, old, new)
    assert error.key == key
    assert says in str(error)


def test_a_site_needs_a_channel_that_tells_of_runs(tmp_path: Path) -> None:
    cut = LARKSPUR[LARKSPUR.index("[[channels]]") : LARKSPUR.index('[[channels]]\nquantity = "high_water"')]
    error = site_error(tmp_path, cut, "")
    assert error.key == "channels"
    assert "pack_output_power" in error.fix
    assert load_site(tmp_path / "larkspur.toml", measured=False).channels


def test_the_environment_wins_and_is_named_in_errors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = installation_in(tmp_path)
    monkeypatch.setenv("OUTLAST_BROKER__URL", "mqtts://broker.example.org")
    monkeypatch.setenv("OUTLAST_HTTP__PORT", "9000")
    found = load_installation(folder)
    assert (found.broker.host, found.broker.port, found.broker.tls) == ("broker.example.org", 8883, True)
    assert found.http.port == 9000
    monkeypatch.setenv("OUTLAST_HTTP__HOSTS", '["Outlast.example.org"]')
    assert load_installation(folder).http.hosts == ("outlast.example.org",)
    monkeypatch.setenv("OUTLAST_HTTP__PROT", "1")
    with pytest.raises(
        ConfigError, match="environment: OUTLAST_HTTP__PROT: unknown key; did you mean 'port'"
    ) as caught:
        load_installation(folder)
    assert caught.value.file == "environment"
    monkeypatch.delenv("OUTLAST_HTTP__PROT")
    monkeypatch.setenv("OUTLAST_BROKR__URL", "x")
    with pytest.raises(ConfigError, match="OUTLAST_BROKER__"):
        load_installation(folder)


@pytest.mark.parametrize(
    ("content", "key", "says"),
    [
        ("[brokr]\n", "brokr", "did you mean 'broker'"),
        ("[broker]\nurl = 'http://x'\n", "broker.url", "is not a broker"),
        ("[broker]\nurl = 'mqtt://me:secret@x'\n", "broker.url", "password_file"),
        ("[broker]\nurl = 'mqtt://x'\nmore_urls = ['mqtt://x:1883']\n", "broker.more_urls", "stands there twice"),
        ("[broker]\nmore_urls = ['mqtts://y', 'mqtts://y:8883']\n", "broker.more_urls", "name each broker once"),
        ("[http]\nport = 70000\n", "http.port", "less than or equal to 65535"),
        ("[http]\nport = true\n", "http.port", "a number, not yes or no"),
        ("[http]\nhosts = ['https://x.example.org']\n", "http.hosts[0]", "without https:// and port"),
        ("[http]\nhosts = 'x.example.org'\n", "http.hosts", "write for example hosts = ["),
        ("[http]\npublic_url = 'https://['\n", "http.public_url", "write https://outlast.example.org"),
        ("[http]\npublic_url = 'outlast.example.org'\n", "http.public_url", "is not an address"),
        ("[store]\nurl = 'mongodb://x'\n", "store.url", "is not a store"),
        ("http = 3\n", "http", "it should be a section"),
    ],
)
def test_what_is_wrong_with_the_installation(tmp_path: Path, content: str, key: str, says: str) -> None:
    folder = installation_in(tmp_path)
    (folder / "outlast.toml").write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_installation(folder)
    assert caught.value.key == key
    assert says in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [
        "[store]\nledger = 'postgres://outlast:hu:sh@127.0.0.1/outlast'\n",
        "[store]\nurl = 'http://outlast:hu:sh@127.0.0.1:8086/outlast'\n",
        "[broker]\nurl = 'mqtt://outlast:hu:sh@127.0.0.1/x'\n",
        "[broker]\nmore_urls = ['http://outlast:hu:sh@127.0.0.1']\n",
    ],
)
def test_a_password_in_a_wrong_address_is_not_repeated(tmp_path: Path, content: str) -> None:
    folder = installation_in(tmp_path)
    (folder / "outlast.toml").write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_installation(folder)
    assert "outlast:***@127.0.0.1" in str(caught.value)
    assert "sh@" not in str(caught.value)


def test_missing_files_and_misnamed_sites(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such folder"):
        load_installation(tmp_path / "nowhere")
    with pytest.raises(ConfigError, match="the file is missing"):
        load_installation(tmp_path)
    folder = installation_in(tmp_path)
    (folder / "sites" / "larkspur.toml").rename(folder / "sites" / "other.toml")
    with pytest.raises(ConfigError, match="rename the file"):
        load_installation(folder)


def test_files_are_taken_from_the_installation_folder(tmp_path: Path) -> None:
    folder = installation_in(tmp_path)
    (folder / "secret").write_text("hush\n", encoding="utf-8")
    (folder / "outlast.toml").write_text("[broker]\npassword_file = 'secret'\n", encoding="utf-8")
    found = load_installation(folder)
    assert found.broker.password() == "hush"
    assert found.readings_url == f"sqlite:///{folder / 'outlast.db'}"
    assert found.ledger_url == f"sqlite:///{folder / 'outlast-ledger.db'}"
    (folder / "secret").unlink()
    with pytest.raises(ConfigError, match="secret cannot be read"):
        found.broker.password()


@pytest.mark.parametrize("key", ["[", "int", "function-x"])
def test_an_unknown_key_that_looks_like_pydantics_own_is_named(key: str) -> None:
    """Names of union branches are left out of a location, but never the key that was written."""
    with pytest.raises(ConfigError, match="unknown key") as error:
        site_from({"id": "larkspur", key: 1}, "larkspur.toml")
    assert error.value.key == key
