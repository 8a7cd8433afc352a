"""`outlast check` names each wiring mistake from ten minutes of live messages, with its mend; a right house is ok."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from api.cli import main
from api.offline.checking import ChannelReport, ChannelVerdict, HeardMessage, examine
from collector.config.settings import site_toml
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel, Site
from forecaster.twin.live import LiveSite, larkspur_site
from tests.scenario import NOW_MS
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

Q = Quantity
TEN_MIN_MS = 600_000
POWER = Channel(Q.PUMP_POWER, "cellar/plug/power")
CHARGE = Channel(Q.PACK_CHARGE, "cellar/pack/charge")
FLAG = Channel(Q.MAINS_PRESENT, "cellar/mains")
COUNTER = Channel(Q.PUMP_ENERGY, "cellar/plug/energy")
INPUT = Channel(Q.PACK_INPUT_POWER, "cellar/pack/input")


def every(topic: str, seconds: int, payload: Callable[[int], str], after_s: int = 0) -> list[HeardMessage]:
    """Ten minutes of a device; payload by the second."""
    return [HeardMessage(topic, payload(s).encode(), False, NOW_MS + 1000 * s) for s in range(after_s, 600, seconds)]


def pumping(on: str = "480.5", off: str = "0") -> Callable[[int], str]:
    return lambda s: on if s % 120 < 15 else off


def timed(lag_s: float) -> Callable[[int], str]:
    return lambda s: json.dumps({"v": 480.0 if s % 120 < 15 else 0.0, "t": (NOW_MS / 1000.0) + s - lag_s})


def reports(messages: list[HeardMessage], *channels: Channel) -> list[ChannelReport]:
    site = replace(larkspur_site(), channels=channels)
    heard = sorted(messages, key=lambda message: message.at_ms)
    return examine([site], heard, NOW_MS + TEN_MIN_MS)


TIMED = replace(POWER, value="$.v", time="$.t")
WILD_CHARGE = replace(CHARGE, topic="cellar/+/charge")
WILD_POWER = replace(POWER, topic="cellar/+/power")
MISTAKES = {
    "two packs": (
        [*every("cellar/pack/charge", 30, lambda _: "80"), *every("cellar/spare/charge", 30, lambda _: "100", 5)],
        WILD_CHARGE, "refused", "cellar/spare/charge",
    ),
    "two plugs": (
        [*every("cellar/plug/power", 10, pumping()), *every("cellar/fridge/power", 10, lambda _: "90", 5)],
        WILD_POWER, "refused", "write the one topic",
    ),
    "comma": (every("cellar/plug/power", 5, pumping("500,2")), POWER, "refused", 'decimal = ","'),
    "unit in the text": (every("cellar/plug/power", 5, pumping("500 W")), POWER, "refused", "write pattern = "),
    "share": (every("cellar/pack/charge", 30, lambda _: "0.97"), CHARGE, "doubtful", 'unit = "ratio"'),
    "kilowatts": (every("cellar/plug/power", 5, pumping("0.4805")), POWER, "doubtful", 'unit = "kW"'),
    "never rests": (every("cellar/plug/power", 5, pumping("900", "420")), POWER, "doubtful", "a pump rests"),
    "hours behind": (every("cellar/plug/power", 5, timed(18_000)), TIMED, "doubtful", "5 h behind"),
    "hours ahead": (every("cellar/plug/power", 5, timed(-82_800)), TIMED, "doubtful", "23 h ahead"),
    "chatters": (
        every("cellar/mains", 15, lambda s: "OFF" if s % 75 == 0 else "ON"), FLAG, "doubtful", "a loose contact",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_each_mistake_is_named(name: str) -> None:
    messages, channel, verdict, says = MISTAKES[name]
    found = reports(messages, channel)[0]
    assert (found.verdict.value, says in found.says) == (verdict, True), found.says


def test_an_inverted_flag_is_told_by_the_pack() -> None:
    flag = every("cellar/mains", 60, lambda _: "OFF")
    full = [*flag, *every("cellar/pack/charge", 30, lambda _: "100")]
    assert "swap the words" in reports(full, FLAG, CHARGE)[0].says
    fed = [*flag, *every("cellar/pack/input", 30, lambda _: "180")]
    assert "swap the words" in reports(fed, FLAG, INPUT)[0].says
    away = [*flag, *every("cellar/pack/charge", 30, lambda s: str(90 - s // 200))]
    assert reports(away, FLAG, CHARGE)[0].verdict is ChannelVerdict.OK


def test_a_flag_that_is_stuck_is_told_by_the_charge() -> None:
    stuck = [*every("cellar/mains", 60, lambda _: "ON"), *every("cellar/pack/charge", 30, lambda s: str(90 - s // 200))]
    assert "while the charge falls from 90 to 88%" in reports(stuck, FLAG, CHARGE)[0].says


def test_a_counter_in_kilowatt_hours_is_told_by_the_power() -> None:
    heard = [
        *every("cellar/plug/power", 5, pumping()),
        *every("cellar/plug/energy", 60, lambda s: f"{7.0 + 0.060 * s / 3600.0:.4f}"),
    ]
    assert 'unit = "kWh"' in reports(heard, COUNTER, POWER)[0].says
    right = [
        *every("cellar/plug/power", 5, pumping()),
        *every("cellar/plug/energy", 60, lambda s: f"{7.0 + 60.0 * s / 3600.0:.4f}"),
    ]
    assert reports(right, COUNTER, POWER)[0].verdict is ChannelVerdict.OK


def test_two_channels_of_one_quantity_are_two_devices() -> None:
    heard = [*every("a", 30, lambda _: "80"), *every("b", 30, lambda _: "100")]
    found = reports(heard, Channel(Q.PACK_CHARGE, "a"), Channel(Q.PACK_CHARGE, "b"))
    assert {one.verdict for one in found} == {ChannelVerdict.REFUSED}


def gauge(s: int) -> str:
    """A gauge that restarts after 200 s: 0 for 45 s, then 100 for 90 s."""
    return "0" if 200 <= s < 245 else "100" if 245 <= s < 335 else "61"


def test_a_gauge_that_leaps_is_named() -> None:
    found = reports(every("cellar/pack/charge", 30, gauge), CHARGE)[0]
    assert found.verdict is ChannelVerdict.DOUBTFUL
    assert "from 61 to 0% within 30 s" in found.says
    assert "send nothing until then" in found.says
    falls = every("cellar/pack/charge", 30, lambda s: str(90 - s // 20))
    assert reports(falls, CHARGE)[0].verdict is ChannelVerdict.OK, "a pack that is empty within half an hour"


def counted(step: float, wh_per_h: float) -> list[HeardMessage]:
    return every("cellar/plug/energy", 10, lambda s: f"{step * int(wh_per_h * s / 3600.0 / step):g}")


def test_a_counter_of_wide_steps_alone_is_remarked_on_and_in_order() -> None:
    found = reports(counted(10.0, 90.0), COUNTER)[0]
    assert found.verdict is ChannelVerdict.OK
    assert "in steps of 10 Wh" in found.says
    assert "pump_power" in found.says
    assert reports(counted(1.0, 90.0), COUNTER)[0].says == ""
    beside = [*counted(10.0, 90.0), *every("cellar/plug/power", 10, pumping())]
    assert reports(beside, COUNTER, POWER)[0].says == ""


RAIN = Channel(Q.RAIN_DEPTH, "elder/yard/rain")


@pytest.mark.parametrize("theirs", [RAIN, replace(RAIN, topic="elder/+/rain")])
def test_one_gauge_that_the_filters_of_two_sites_take_is_refused_where_the_filter_is_wide(theirs: Channel) -> None:
    """The one rain gauge of another house: the wide filter would store its rain here too."""
    wide, elder = replace(RAIN, topic="+/yard/rain"), replace(larkspur_site(), id="elder", channels=(theirs,))
    sites = [replace(larkspur_site(), channels=(wide,)), elder]
    found = examine(sites, every("elder/yard/rain", 60, lambda _: "1"), NOW_MS + TEN_MIN_MS)
    assert found[0].verdict is ChannelVerdict.REFUSED
    assert "elder/yard/rain is heard here only through + or #" in found[0].says
    assert "the topic of elder rain" in found[0].says
    assert (found[1].verdict is ChannelVerdict.OK) is (theirs is RAIN)
    alike = [replace(site, channels=(RAIN,)) for site in sites]
    heard = every("elder/yard/rain", 60, lambda _: "1")
    shared = examine(alike, heard, NOW_MS + TEN_MIN_MS)
    assert {one.verdict for one in shared} == {ChannelVerdict.OK}, "one gauge for two houses, written so"


def test_two_fields_of_one_message_are_two_channels() -> None:
    """A meter with two outputs sends both in one object."""
    body = json.dumps({"one": 90.0, "two": 4.0})
    wide = Channel(Q.LOAD_POWER, "cellar/+/meter", value="$.one", of="fridge")
    other = replace(wide, value="$.two", of="router")
    found = reports(every("cellar/x/meter", 10, lambda _: body), wide, other)
    assert {one.verdict for one in found} == {ChannelVerdict.OK}


def test_a_right_house_is_ok() -> None:
    """Ten minutes of the simulated house, none of whose channels is doubted."""
    live = LiveSite(seed=3, start_ms=NOW_MS)
    live.step(6.0 * 3600.0)
    heard = [HeardMessage(m.topic, m.payload, False, m.at_ms) for m in live.step(600.0)]
    told = examine([live.site], heard, live.now_ms)
    assert {one.verdict for one in told} <= {ChannelVerdict.OK, ChannelVerdict.SILENT}
    assert [one.says for one in told if one.verdict is ChannelVerdict.OK] == [""] * sum(
        one.verdict is ChannelVerdict.OK for one in told
    )


def installation(folder: Path, port: int, site: Site) -> None:
    (folder / "sites").mkdir()
    (folder / "sites" / f"{site.id}.toml").write_text(site_toml(site), encoding="utf-8")
    (folder / "outlast.toml").write_text(f'[broker]\nurl = "mqtt://127.0.0.1:{port}"\n', encoding="utf-8")


def test_mistakes_are_named_from_a_real_broker(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each device's message is kept by the broker with its own time, so that the test need not wait."""
    t = NOW_MS / 1000.0
    channels = (
        Channel(Q.PUMP_POWER, "cellar/plug/power"),
        replace(WILD_CHARGE, value="$.v", time="$.t"),
        Channel(Q.PACK_TEMPERATURE, "cellar/pack/temperature", value="$.v", time="$.t"),
    )
    installation(tmp_path, mosquitto.port, replace(larkspur_site(), channels=channels))
    mosquitto.publish(
        [
            ("cellar/plug/power", b"500 W"),
            ("cellar/pack/charge", json.dumps({"v": 80, "t": t}).encode()),
            ("cellar/spare/charge", json.dumps({"v": 100, "t": t}).encode()),
            ("cellar/pack/temperature", json.dumps({"v": 21, "t": t}).encode()),
        ],
        retain=True,
    )
    assert main(["check", "--config", str(tmp_path), "--seconds", "2", "--json"]) == 1
    told = {one["quantity"]: one for one in json.loads(capsys.readouterr().out)["channels"]}
    assert (told["pump_power"]["verdict"], told["pack_charge"]["verdict"]) == ("refused", "refused")
    assert "write pattern" in told["pump_power"]["says"]
    assert "cellar/spare/charge" in told["pack_charge"]["says"]
    assert told["pack_temperature"]["verdict"] == "ok"


def of_house(name: str, messages: list[HeardMessage], channels: tuple[Channel, ...]) -> tuple[Site, list[HeardMessage]]:
    """A house of its own for a mistake, with its topics below its name, and a silent ammeter at its pump."""
    amperes = Channel(Q.PUMP_CURRENT, "cellar/plug/current")
    moved = tuple(replace(channel, topic=f"{name}/{channel.topic}") for channel in (*channels, amperes))
    site = replace(larkspur_site(), id=name, channels=moved)
    return site, [replace(message, topic=f"{name}/{message.topic}") for message in messages]


def told_by_now(lag_s: float) -> list[HeardMessage]:
    payload = json.dumps({"v": 0.0, "t": time.time() - lag_s})
    return every(TIMED.topic, 60, lambda _: payload)


def houses() -> Iterator[tuple[str, Site, list[HeardMessage], str]]:
    """One house for each mistake that shows in the values or times themselves, and what is to be said of it."""
    flag = every("cellar/mains", 60, lambda _: "OFF")
    falling = every("cellar/pack/charge", 30, lambda s: str(90 - s // 200))
    cases: dict[str, tuple[list[HeardMessage], tuple[Channel, ...], str]] = {
        name: (messages, (channel,), says) for name, (messages, channel, _, says) in MISTAKES.items()
    }
    del cases["never rests"]  # it takes eight minutes to tell
    cases |= {
        "hours behind": (told_by_now(18_000), (TIMED,), "5 h behind"),
        "hours ahead": (told_by_now(-82_800), (TIMED,), "23 h ahead"),
        "inverted": ([*flag, *every("cellar/pack/charge", 30, lambda _: "100")], (FLAG, CHARGE), "swap the words"),
        "stuck": ([*every("cellar/mains", 60, lambda _: "ON"), *falling], (FLAG, CHARGE), "does it ever change"),
        "leaps": (every("cellar/pack/charge", 30, gauge), (CHARGE,), "send nothing until then"),
        "coarse": (counted(10.0, 90.0), (COUNTER,), 'quantity = "pump_power"'),
        "swallows": (every("yard/rain", 60, lambda _: "1"), (replace(RAIN, topic="yard/rain"),), ""),
    }
    for name, (messages, channels, says) in cases.items():
        yield name, *of_house(name.replace(" ", "-"), messages, channels), says
    wide = replace(RAIN, topic="+/yard/rain"), Channel(Q.PUMP_CURRENT, "wide/current")
    yield "swallowed", replace(larkspur_site(), id="wide", channels=wide), [], "only through + or #"


@pytest.mark.slow
def test_each_mistake_is_named_on_the_running_program(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """All houses send again and again while `outlast check` listens."""
    made = list(houses())
    installation(tmp_path, mosquitto.port, made[0][1])
    for _, site, _, _ in made[1:]:
        (tmp_path / "sites" / f"{site.id}.toml").write_text(site_toml(site), encoding="utf-8")
    sent = [(m.topic, m.payload) for _, _, messages, _ in made for m in messages]
    over = threading.Event()

    def send() -> None:
        while not over.wait(0.2):
            mosquitto.publish(sent)

    sender = threading.Thread(target=send)
    sender.start()
    try:
        assert main(["check", "--config", str(tmp_path), "--seconds", "12", "--json"]) == 1
    finally:
        over.set()
        sender.join()
    told: dict[str, str] = {}
    for one in json.loads(capsys.readouterr().out)["channels"]:
        told.setdefault(one["site"], one["says"])
    for name, site, _, says in made:
        assert says in told[site.id], (name, told[site.id])
