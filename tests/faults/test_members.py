"""Members on real processes: killed, paused and let go, stopped. Nothing is lost, nothing told twice."""

from __future__ import annotations

import random
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.engines import wait_until
from tests.faults.membered import PATIENCE_S, Machine, Membered, membered, under_messages

SITES = 12
ROLES = ("collect", "forecast")


def whole(house: Membered, record: Callable[[str, object], None]) -> None:
    """Messages in, rows out; nothing told twice; every outage told once."""
    wait_until(lambda: house.store.count() >= house.published, "all readings on the server", PATIENCE_S)
    assert house.store.count() == house.published
    assert house.watched.went_back == 0
    assert set(house.told().values()) == {1}
    assert dict(house.told_of("mains-lost")) == dict.fromkeys(house.watched.newest, 1)
    alarms = [alarm for alarm in house.ledger.alarms(limit=10_000) if alarm.kind.value == "mains-lost"]
    assert len(alarms) == len({alarm.site for alarm in alarms}) == house.sites
    record("messages in, rows out", f"{house.published}, {house.store.count()}")
    record("site unwatched longest [s]", round(house.watched.worst_s, 1))


@pytest.mark.timeout(1800)
def test_one_is_killed_one_paused_one_stopped_while_the_mains_are_lost(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """In: 12 sites on two machines; on one the collector is killed and the forecaster paused, and the mains are lost
    everywhere; then it is let go, and the other's forecaster stopped. Out: each message once, each outage told once."""
    with membered(tmp_path, SITES) as house:
        attic, garage = house.machines
        for machine in house.machines:
            machine.start("collect")
            machine.start("forecast")
        with under_messages(house) as quiet:
            for role in ("collect", "forecast"):
                house.await_all_by(role, attic, garage)
            wait_until(lambda: len(house.watched.newest) == SITES, "a forecast of every site", PATIENCE_S)
            attic.send("collect", signal.SIGKILL)
            attic.send("forecast", signal.SIGSTOP)
            house.mains = False
            for role in ("collect", "forecast"):
                house.await_all_by(role, garage)
            wait_until(lambda: len(house.told_of("mains-lost")) == SITES, "the outage told of every site", PATIENCE_S)
            attic.send("forecast", signal.SIGCONT)
            attic.start("collect")
            for role in ("collect", "forecast"):
                house.await_all_by(role, attic, garage)
            assert "has lost" in attic.said("forecast")
            garage.send("forecast", signal.SIGTERM)
            house.await_all_by("forecast", attic)
            quiet()
        whole(house, record_property)


@pytest.mark.slow  # both machines are heard, ended and started under messages: minutes on a busy machine
@pytest.mark.timeout(1800)
def test_an_upgrade_one_worker_after_the_other(tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    """In: every worker of two machines ended and started anew, one after the other, while the mains are lost halfway.
    Out: each message once, each outage told once, and what anybody watched was never without a forecast for long."""
    with membered(tmp_path, SITES) as house:
        for machine in house.machines:
            for role in ROLES:
                machine.start(role)
        with under_messages(house) as quiet:
            for role in ROLES:
                house.await_all_by(role, *house.machines)
            wait_until(lambda: len(house.watched.newest) == SITES, "a forecast of every site", PATIENCE_S)
            for machine in house.machines:
                for role in ROLES:
                    machine.send(role, signal.SIGTERM)
                    machine.start(role)
                    house.await_all_by(role, *house.machines)
                house.mains = False
            wait_until(lambda: len(house.told_of("mains-lost")) == SITES, "the outage told of every site", PATIENCE_S)
            quiet()
        whole(house, record_property)


@pytest.mark.slow  # three machines under messages: minutes on a busy machine
@pytest.mark.timeout(1800)
def test_a_third_machine_joins_under_messages(tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    """In: two machines at work, a third that comes, then the mains lost everywhere. Out: it has its part, every share
    that moved went to it and none between the others, each message once, each outage told once."""
    with membered(tmp_path, SITES, ("attic", "garage", "shed")) as house:
        *first, shed = house.machines
        for machine in first:
            for role in ROLES:
                machine.start(role)
        with under_messages(house) as quiet:
            for role in ROLES:
                house.await_all_by(role, *first)
            wait_until(lambda: len(house.watched.newest) == SITES, "a forecast of every site", PATIENCE_S)
            before = {(role, m.name): house.shares(role, m.name) for role in ROLES for m in first}
            house.watched.worst_s = 0.0
            for role in ROLES:
                shed.start(role)
            wait_until(lambda: all(house.shares(*who) < had for who, had in before.items()), "their part", PATIENCE_S)
            for role in ROLES:
                house.await_all_by(role, *house.machines)
            assert all(house.shares(*who) < had for who, had in before.items())
            house.mains = False
            wait_until(lambda: len(house.told_of("mains-lost")) == SITES, "the outage told of every site", PATIENCE_S)
            quiet()
        whole(house, record_property)


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("seed", [1])
def test_thirty_blows_at_random(tmp_path: Path, seed: int, record_property: Callable[[str, object], None]) -> None:
    """In: 40 sites on two machines; ten kills, ten pauses of as long as it takes, ten stops, at random.
    Out: each message once, each outage told once, nothing told twice."""
    with membered(tmp_path, 40) as house:
        for machine in house.machines:
            machine.start("collect")
            machine.start("forecast")
        with under_messages(house) as quiet:
            wait_until(lambda: len(house.watched.newest) == house.sites, "a forecast of every site", PATIENCE_S)
            blows = [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM] * 10
            rng = random.Random(seed)
            rng.shuffle(blows)
            for number, blow in enumerate(blows):
                if number == 10:
                    house.mains = False
                struck, other = rng.sample(house.machines, 2)
                strike(house, struck, other, rng.choice(["collect", "forecast"]), blow)
            quiet()
        whole(house, record_property)


def strike(house: Membered, struck: Machine, other: Machine, role: str, blow: signal.Signals) -> None:
    """Take a worker away until the other carries all, and bring it back until both carry."""
    struck.send(role, blow)
    house.await_all_by(role, other)
    if blow is signal.SIGSTOP:
        struck.send(role, signal.SIGCONT)
    else:
        struck.start(role)
    house.await_all_by(role, *house.machines)
