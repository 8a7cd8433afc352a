"""Members on real processes: killed, paused, cut off, stopped. Nothing is lost, nothing told twice."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.engines import wait_until
from tests.faults.blows import Blow, Wanted, struck_by, told
from tests.faults.membered import PATIENCE_S, ROLES, Membered, membered, under_messages

SITES = 12


def whole(house: Membered, record: Callable[[str, object], None]) -> None:
    """Messages in, rows out; nothing told twice; every outage told once."""
    wait_until(lambda: house.store.count() >= house.published, "all readings on the server", PATIENCE_S)
    assert house.store.count() == house.published
    assert house.watched.went_back == house.written().by_others == 0
    assert set(house.told().values()) == {1}
    assert dict(house.told_of("mains-lost")) == dict.fromkeys(house.watched.newest, 1)
    alarms = [alarm for alarm in house.ledger.alarms(limit=10_000) if alarm.kind.value == "mains-lost"]
    assert len(alarms) == len({alarm.site for alarm in alarms}) == house.sites
    record("messages in, rows out", f"{house.published}, {house.store.count()}")
    record("site unwatched longest [s]", round(house.watched.worst_s, 1))


@pytest.mark.timeout(1800)
def test_one_is_killed_one_paused_one_cut_off_while_the_mains_are_lost(
    tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """In: 12 sites on three machines; of one the collector is killed and the forecaster paused, of one the collector is
    cut off from all servers, and the mains are lost everywhere; then all go on, and the last one's forecaster is
    stopped. Out: each message once, each outage told once, nothing written without a lease."""
    with membered(tmp_path, SITES, ("attic", "garage", "shed")) as house:
        attic, garage, shed = house.machines
        collecting = (attic, garage, shed)
        for machine in collecting:
            machine.start("collect")
        for machine in (attic, garage):
            machine.start("forecast")
        with under_messages(house) as quiet:
            house.await_all_by("collect", *collecting)
            house.await_all_by("forecast", attic, garage)
            wait_until(lambda: len(house.watched.newest) == SITES, "a forecast of every site", PATIENCE_S)
            blows = (
                Blow("killed", "collect", attic),
                Blow("paused", "forecast", attic),
                Blow("cut off", "collect", shed),
            )
            for blow in blows:
                blow.begin()
            house.lose_mains(*range(SITES))
            for role in ROLES:
                house.await_all_by(role, garage)
            wait_until(lambda: len(house.told_of("mains-lost")) == SITES, "the outage told of every site", PATIENCE_S)
            for blow in blows:
                blow.end()
            house.await_all_by("collect", *collecting)
            house.await_all_by("forecast", attic, garage)
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
        house.start()
        with under_messages(house) as quiet:
            house.await_standing()
            for machine in house.machines:
                for role in ROLES:
                    machine.send(role, signal.SIGTERM)
                    machine.start(role)
                    house.await_all_by(role, *house.machines)
                house.lose_mains(*range(SITES))
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
            house.watched.begin()
            for role in ROLES:
                shed.start(role)
            wait_until(lambda: all(house.shares(*who) < had for who, had in before.items()), "their part", PATIENCE_S)
            for role in ROLES:
                house.await_all_by(role, *house.machines)
            assert all(house.shares(*who) < had for who, had in before.items())
            house.lose_mains(*range(SITES))
            wait_until(lambda: len(house.told_of("mains-lost")) == SITES, "the outage told of every site", PATIENCE_S)
            quiet()
        whole(house, record_property)


@pytest.mark.long
@pytest.mark.timeout(4 * 3600)
def test_thirty_blows_at_random(tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    """In: 60 sites on two machines; ten workers killed, ten paused and ten cut off for two minutes, at random, and the
    mains of two more sites lost before each. Out: each message and outage once, no write without a lease."""
    found = struck_by(tmp_path, Wanted(sites=60, each=10))
    record_property("blows", told(found))
    assert len(found.struck) == 30
    assert found.whole(), told(found)
