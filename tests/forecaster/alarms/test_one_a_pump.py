"""Alarms where each of two pumps has a pack of its own: the right one is told, with pump and pack, and no other."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from forecaster.alarms.evidence import AlarmEvidence, Outside, Verdict
from forecaster.alarms.rules_pump import second_pump_running
from forecaster.alarms.rules_supply import pack_not_charging, pack_output_off, reserve_reached
from forecaster.alarms.rules_watch import telemetry_silent
from forecaster.alarms.telling import Teller
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.forecast import PackNow, PackRole, PumpNow, PumpRole
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Arrangement, Driven, NamedPack, NamedPump
from forecaster.domain.status import QuantityAge
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, START_MS, forecast, hours, status

ON, OFF, UNKNOWN = Verdict.ON, Verdict.OFF, Verdict.UNKNOWN
PACK, MAINS = Supply.PACK, Supply.MAINS
SITE = replace(
    LARKSPUR,
    pumps=(NamedPump("main", LARKSPUR.pump), NamedPump("backup", LARKSPUR.pump, Driven.PACK, 0.1)),
    packs=(NamedPack("left", LARKSPUR.pack, "main"), NamedPack("right", LARKSPUR.pack, "backup")),
    arrangement=Arrangement.ONE_A_PUMP,
)


def seen(left: str, right: str, first: str = "missing", percent: float = 50.0, **facts: Any) -> AlarmEvidence:
    """A house with packs and a first pump in these roles. percent : the charge of the left pack [%]"""
    second = "lifts" if first == "missing" else "waits"
    ahead = forecast(
        START_MS,
        hours(5.0),
        supply=facts.get("supply", PACK),
        packs=(
            PackNow("left", PackRole(left), percent, 0.0, "main"),
            PackNow("right", PackRole(right), 50.0, 0.0, "backup"),
        ),
        pumps=(
            PumpNow("main", PumpRole(first), Driven.PACK, running=False),
            PumpNow("backup", PumpRole(second), Driven.PACK, running=False),
        ),
    )
    known = status(START_MS, **{"supply": PACK, "pack_carrying": True, "running_since_ms": START_MS, **facts})
    began = START_MS - 30 * DAY
    return AlarmEvidence(SITE, AlarmLimits(), known, ahead, Outside(), START_MS, began, began)


@pytest.mark.parametrize(
    ("left", "percent", "supply", "said"),
    [
        ("stranded", 50.0, PACK, (ON, "apart")),
        ("empty", 0.0, PACK, (ON, "spent")),
        ("silent", 3.0, PACK, (ON, "spent")),
        ("silent", 40.0, PACK, (ON, "apart")),
        ("empty", 0.0, MAINS, (ON, "apart")),
        ("off", 50.0, PACK, (UNKNOWN, "")),
    ],
)
def test_a_first_pump_that_does_not_lift_is_told_with_what_may_be_wrong(
    left: str, percent: float, supply: Supply, said: tuple[Verdict, str]
) -> None:
    """A pack that is known to carry nothing has an alarm of its own; on mains an empty one is no reason."""
    found = second_pump_running(seen(left, "carrying", percent=percent, supply=supply))
    assert (found.verdict, found.variant) == said


@pytest.mark.parametrize(
    ("left", "right", "first", "said"),
    [
        ("off", "carrying", "missing", (ON, "apart", Priority.HIGH)),
        ("carrying", "off", "lifts", (ON, "apart", Priority.HIGH)),
        ("carrying", "empty", "lifts", (ON, "apart-empty", Priority.MEDIUM)),
        ("empty", "carrying", "missing", (OFF, "", None)),
        ("carrying", "waiting", "lifts", (OFF, "", None)),
    ],
)
def test_a_pack_that_gives_nothing_is_told_unless_the_first_one_is_spent(
    left: str, right: str, first: str, said: tuple[Verdict, str, Priority | None]
) -> None:
    found = pack_output_off(seen(left, right, first))
    assert (found.verdict, found.variant, found.priority) == said


def test_words_name_pump_and_pack_in_both_languages() -> None:
    spent = Teller(SITE).tell(AlarmKind.SECOND_PUMP_RUNNING, "spent", seen("empty", "carrying", percent=0.0), START_MS)
    assert "Pack left of pump main is spent: backup lifts on right and lasts" in spent.headline
    assert "La batería left de la bomba main se agotó" in spent.translations[0].headline
    off = Teller(SITE).tell(AlarmKind.PACK_OUTPUT_OFF, "apart", seen("off", "carrying"), START_MS)
    assert "Pack left of pump main carries nothing" in off.headline
    assert "cord of pump main" in off.action
    last = seen("empty", "carrying", percent=0.0, charge_percent=8.0)
    assert (reserve_reached(last).verdict, reserve_reached(last).variant) == (ON, "apart")
    told = Teller(SITE).tell(AlarmKind.RESERVE_REACHED, "apart", last, START_MS)
    assert "pump backup lifts on pack right" in told.headline
    assert "get power to pump backup" in told.action


def test_of_several_packs_the_one_that_does_not_charge_is_named() -> None:
    """In: 98 and 50 % on mains, which rest below the limit of 90 %. Out: the one of 50 %."""
    rests = seen(
        "ready", "ready", "lifts", percent=98.0, supply=MAINS, pack_carrying=False, charge_percent=74.0,
        charge_rate_percent_per_h=0.0, supply_since_ms=START_MS - DAY,
    )  # fmt: skip
    found = pack_not_charging(rests)
    assert (found.verdict, found.variant) == (ON, "several")
    told = Teller(SITE).tell(AlarmKind.PACK_NOT_CHARGING, found.variant, rests, START_MS)
    assert "Not charging: right 50%. All packs together" in told.headline
    assert "left" not in told.headline
    assert "No se cargan: right 50\u00a0%" in told.translations[0].headline
    assert "cord" in told.action


@pytest.mark.parametrize(("left", "said"), [("empty", OFF), ("stranded", ON)])
def test_what_hung_on_a_spent_pack_may_be_silent(left: str, said: Verdict) -> None:
    """Its plug and its own readings; of a pack that has charge left they are missed."""
    age = 3.0 * HOUR / 1000.0
    ages = (
        QuantityAge(Quantity.PUMP_POWER, "", 0.0, age, 30.0, True),
        QuantityAge(Quantity.PACK_CHARGE, "left", 0.0, age, 30.0, True),
        QuantityAge(Quantity.PACK_CHARGE, "right", 50.0, 5.0, 30.0, False),
    )
    assert telemetry_silent(seen(left, "carrying", percent=0.0, ages=ages)).verdict is said
    second = QuantityAge(Quantity.PUMP_POWER, "backup", 0.0, age, 30.0, True)
    assert telemetry_silent(seen(left, "carrying", percent=0.0, ages=(*ages, second))).verdict is ON
