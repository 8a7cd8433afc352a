"""Several packs before buying: their energies add, and the weakest must start and run the pump by itself."""

from __future__ import annotations

from dataclasses import replace

from forecaster.domain.site import Arrangement, NamedPack, Pack
from forecaster.pack.bank import taken_together
from forecaster.sizing.answer import size
from forecaster.sizing.question import Question
from forecaster.sizing.terms import Answer
from forecaster.twin.live import larkspur_site

ASKED = Question(cycles_per_hour=20.0, run_s=10.0)
PACK = Pack(1024.0, 900.0, 3600.0, inverter_efficiency=0.88, idle_w=9.0, output_voltage_v=120.0)


def sized(*packs: Pack) -> tuple[Answer, Answer, float | None, tuple[str, ...]]:
    several = tuple(NamedPack(f"pack-{n}", pack) for n, pack in enumerate(packs))
    site = larkspur_site()
    if len(packs) == 1:
        site = replace(site, pack=packs[0])
    else:
        site = replace(site, pack=taken_together(several), packs=several, arrangement=Arrangement.IN_TURN)
    found = size(site, ASKED)
    return found.can_run.answer, found.can_start.answer, found.hours_remaining.p50, found.cautions


def test_two_alike_are_one_of_twice_the_energy_and_idle() -> None:
    run, start, hours, cautions = sized(PACK, PACK)
    assert (run, start, hours) == sized(replace(PACK, capacity_wh=2048.0, idle_w=18.0))[:3]
    assert any("Several packs are counted as one" in caution for caution in cautions)
    assert not any("Several packs are counted as one" in caution for caution in sized(PACK)[3])


def test_the_weakest_pack_decides_whether_the_pump_runs() -> None:
    """480 W on a pack that carries 150 W, 300 at most: no, however strong the other one is."""
    weak = replace(PACK, continuous_w=150.0, surge_w=300.0)
    assert sized(PACK)[0] is not Answer.NO
    assert sized(weak)[:2] == sized(PACK, weak)[:2] == (Answer.NO, Answer.NO)
