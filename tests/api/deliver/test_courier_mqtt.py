"""The MQTT topics of the interface on a real broker: retained, told anew, cleared, with a will and a command."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from typing import Any

import msgspec
import pytest

from api.deliver.courier import Courier
from api.deliver.mqtt import MqttCarrier
from forecaster.domain.alarms import AlarmState, TransitionKind
from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast
from forecaster.domain.site import Site
from forecaster.engine.document import document
from tests.api.delivering import Begin, FastClock, SteppedClock, eventually, queue, told
from tests.api.mosquitto import Hub, Mosquitto
from tests.forecaster.evidence import LARKSPUR, MINUTE, START_MS, forecast

ALARM = "outlast/larkspur/alarm/high-water"
FORECAST = "outlast/larkspur/forecast"


@pytest.fixture
def clock() -> SteppedClock:
    return FastClock()


Start = Callable[..., Courier]


@pytest.fixture
def start(broker: Mosquitto, ledger: Ledger, clock: SteppedClock, begin: Begin) -> Start:
    numbers = count()

    def begin_for(*sites: Site, wake: Callable[[], None] = lambda: None) -> Courier:
        by_id = {site.id: site for site in sites or (LARKSPUR,)}
        name = f"outlast-test-{next(numbers)}"
        return begin(MqttCarrier(broker.settings, name, by_id, ledger, clock, wake))

    return begin_for


def test_forecast_and_alarm_are_there_for_a_hub_that_comes_later(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    ledger.publish([StoredForecast("larkspur", START_MS, '{"site": "larkspur"}')])
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    sender = start()
    eventually(lambda: sender.sent == 1, "the delivery")
    hub = Hub(broker.port, "outlast/#")
    eventually(lambda: {FORECAST, ALARM, "outlast/status"} <= hub.retained, "retained messages")
    hub.close()
    assert hub.now["outlast/status"] == b"online"
    assert hub.now[FORECAST] == b'{"site": "larkspur"}'
    alarm = json.loads(hub.now[ALARM])
    assert alarm["state"] == "unacknowledged"
    assert alarm["headline"].startswith("HIGH WATER")


def ahead(at_ms: int, site: str = "larkspur", **facts: Any) -> StoredForecast:
    return StoredForecast(site, at_ms, msgspec.json.encode(document(forecast(at_ms, site=site, **facts))).decode())


def test_plain_values_stand_one_a_topic(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    ledger.publish([ahead(START_MS)])
    sender = start()
    eventually(lambda: ledger.noted("mqtt-sites") is not None, "the start")
    hub = Hub(broker.port, "outlast/larkspur/+")
    eventually(lambda: "outlast/larkspur/minutes_to_floor" in hub.now, "the last of the values")
    said = {topic.removeprefix("outlast/larkspur/"): payload for topic, payload in hub.now.items() if topic != FORECAST}
    hours = json.loads(hub.now[FORECAST])["hours_remaining"]
    for level in ("p10", "p50", "p90"):
        assert float(said.pop(f"hours_{level}")) == hours[level]
    assert said == {
        "charge_percent": b"100.0", "supply": b"mains", "draw_w": b"40.0", "cycles_per_hour": b"8.0",
        "minutes_to_floor": b"6.2",
    }  # fmt: skip
    count = len(hub.all)
    later = START_MS + MINUTE
    ledger.publish([ahead(later, charge_percent=99.0, draw_w=None)])
    eventually(lambda: hub.now.get("outlast/larkspur/draw_w") == b"", "the cleared value")
    assert [topic for topic, _ in hub.all[count:]] == [
        FORECAST,
        *(f"outlast/larkspur/{n}" for n in ("charge_percent", "draw_w")),
    ]
    hub.close()
    late = Hub(broker.port, "outlast/larkspur/+")
    eventually(lambda: late.now.get("outlast/larkspur/charge_percent") == b"99.0", "the retained value")
    eventually(lambda: "outlast/larkspur/minutes_to_floor" in late.now, "the rest")
    late.close()
    assert "outlast/larkspur/draw_w" not in late.now
    assert sender.failed == 0


def test_an_alarm_that_is_over_says_normal(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    hub = Hub(broker.port, "outlast/#")
    sender = start()
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    eventually(lambda: sender.sent == 1, "the raise")
    done = told(what=TransitionKind.CLEARED, revision=1, at_ms=START_MS + MINUTE, state=AlarmState.NORMAL)
    queue(ledger, LARKSPUR, [done], clock.now_ms(), "mqtt")
    eventually(lambda: sender.sent == 2, "the end")
    eventually(lambda: ALARM in hub.now and json.loads(hub.now[ALARM])["state"] == "normal", "the state normal")
    hub.close()
    assert json.loads(hub.now[ALARM])["cleared"] == "2026-03-03T16:03:00Z"


def test_a_broker_that_forgot_everything_is_told_anew(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    ledger.publish([StoredForecast("larkspur", START_MS, "{}")])
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    sender = start()
    eventually(lambda: sender.sent == 1, "the delivery")
    broker.stop()
    broker.start()
    hub = Hub(broker.port, "outlast/#")
    eventually(lambda: {FORECAST, ALARM, "outlast/status"} <= set(hub.now), "everything told anew", 40.0)
    hub.close()


def test_a_broker_that_is_down_gets_the_newest_state_when_it_is_back(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    broker.stop()
    sender = start()
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    eventually(lambda: bool(sender.faults.standing()), "a failed attempt")
    done = told(what=TransitionKind.CLEARED, revision=1, at_ms=START_MS + MINUTE, state=AlarmState.NORMAL)
    queue(ledger, LARKSPUR, [done], clock.now_ms(), "mqtt")
    broker.start()
    hub = Hub(broker.port, ALARM)
    eventually(lambda: sender.sent == 1 and bool(hub.now), "the delivery", 40.0)
    hub.close()
    assert [json.loads(payload)["state"] for _, payload in hub.all][-1] == "normal"
    eventually(lambda: sender.faults.standing() == {}, "the fault being over")


def test_status_says_whether_we_are_there(broker: Mosquitto, ledger: Ledger, start: Start) -> None:
    sender = start()
    hub = Hub(broker.port, "outlast/status")
    eventually(lambda: hub.now.get("outlast/status") == b"online", "online")
    sender.stop()
    eventually(lambda: hub.now.get("outlast/status") == b"offline", "offline")
    hub.close()
    assert ledger.noted("mqtt-sites") == '["larkspur"]'


def test_a_command_acknowledges(broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start) -> None:
    woken: list[bool] = []
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    sender = start(wake=lambda: woken.append(True))
    eventually(lambda: sender.sent == 1, "the delivery")
    hub = Hub(broker.port, "outlast/#")
    hub.say(f"{ALARM}/acknowledge", b"kitchen panel")
    eventually(lambda: len(ledger.requests(0)) == 1, "the request")
    _, kind, target, body, _ = ledger.requests(0)[0]
    assert (kind, target, json.loads(body)) == ("acknowledge", told().alarm.id, {"by": "kitchen panel"})
    assert woken == [True]
    hub.say("outlast/larkspur/alarm/mains-lost/acknowledge", b"")
    hub.say("outlast/elsewhere/alarm/high-water/acknowledge", b"")
    hub.say("outlast/status/alarm/x/acknowledge", b"\xff")
    hub.close()
    assert len(ledger.requests(0)) == 1


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("larkspur/alarm/high-water/acknowledge", (1, None, None)),
        ("larkspur/alarm/all/acknowledge", (1, None, None)),
        ("larkspur/alarm/mains-lost/acknowledge", (0, "none-waiting", None)),
        ("larkspur/alarm/high_water/acknowledge", (0, "unknown-kind", "high-water")),
        ("larkspur/alarm/HIGH-WATER/acknowledge", (0, "unknown-kind", "high-water")),
        ("larkspur/alarm//acknowledge", (0, "unknown-kind", None)),
        ("larkspr/alarm/high-water/acknowledge", (0, "unknown-site", "larkspur")),
        ("larkspur/alarm/high-water/aknowledge", (0, "unknown-command", "acknowledge")),
    ],
)
def test_a_command_is_answered_misspelt_or_not(
    broker: Mosquitto,
    ledger: Ledger,
    clock: SteppedClock,
    start: Start,
    command: str,
    answer: tuple[int, str | None, str | None],
) -> None:
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    sender = start()
    eventually(lambda: sender.sent == 1, "the delivery")
    hub = Hub(broker.port, "outlast/#")
    hub.say(f"outlast/{command}", b"")
    eventually(lambda: f"outlast/{command}/answer" in hub.now, "the answer")
    hub.close()
    found = json.loads(hub.now[f"outlast/{command}/answer"])
    assert (found["acknowledged"], found["problem"], found["nearest"]) == answer
    assert f"outlast/{command}/answer" not in hub.retained


def test_a_retained_command_is_old_and_not_obeyed(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    hub = Hub(broker.port, "outlast/#")
    hub.say(f"{ALARM}/acknowledge", b"", retain=False)
    hub.say(f"{ALARM}/acknowledge", b"yesterday", retain=True)
    queue(ledger, LARKSPUR, [told()], clock.now_ms(), "mqtt")
    sender = start()
    eventually(lambda: sender.sent == 1, "the delivery")
    hub.say(f"{ALARM}/acknowledge", b"today")
    eventually(lambda: bool(ledger.requests(0)), "the request")
    hub.close()
    assert [json.loads(body)["by"] for _, _, _, body, _ in ledger.requests(0)] == ["today"]


def test_a_site_that_was_removed_leaves_nothing_behind(
    broker: Mosquitto, ledger: Ledger, clock: SteppedClock, start: Start
) -> None:
    linden = replace(LARKSPUR, id="linden")
    ledger.publish([ahead(START_MS, "linden"), StoredForecast("larkspur", START_MS, "{}")])
    queue(ledger, linden, [told(site="linden")], clock.now_ms(), "mqtt")
    first = start(LARKSPUR, linden)
    eventually(lambda: first.sent == 1, "the delivery")
    first.stop()
    start(LARKSPUR)
    eventually(lambda: ledger.noted("mqtt-sites") == '["larkspur"]', "the clearing")
    hub = Hub(broker.port, "outlast/#")
    eventually(lambda: FORECAST in hub.now, "the retained forecast")
    hub.close()
    assert not [topic for topic in hub.now if topic.startswith("outlast/linden")]
