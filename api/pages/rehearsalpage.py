"""The page of discharge tests: the running one, the results, and the form that starts or finishes one."""

from __future__ import annotations

from api.pages.contexts import Fact
from api.pages.formcontexts import RehearsalContext, RehearsalLine, YearsContext
from api.pages.ports import PagePorts
from forecaster.discharge import progress
from forecaster.discharge.said import result_said
from forecaster.discharge.years import Years, compared
from forecaster.domain.discharge import DischargeResult, DischargeTest
from forecaster.domain.site import Site
from forecaster.live.rehearsals import evidence_of, running_test
from forecaster.sizing.told import help_parts
from forecaster.texts.catalogue import Words
from forecaster.texts.doers import doer
from forecaster.texts.wording import Wording

Range = tuple[float, float, float]


def rehearsal_page(ports: PagePorts, site: Site, words: Words, *, operate: bool) -> RehearsalContext:
    """The running test, if any, and all finished ones, newest first; who started them for those who may operate."""
    now_ms = ports.clock.now_ms()
    words = words.of_site(site)
    wording = Wording.of(site, words)
    running = running_test(ports.ledger, site.id)
    says = ""
    if running is not None:
        says = progress(running, evidence_of(ports.store, ports.ledger, site, running, now_ms), now_ms).says
        says = words.again(says)
    done = [test for test in ports.ledger.tests(site.id) if test.finished_ms is not None]
    years = compared(site, done, ports.ledger.work(site.id), now_ms)
    return RehearsalContext(
        running=None if running is None else running.id,
        says=says,
        since="" if running is None else wording.within(running.started_ms, now_ms),
        pulled=running is not None and running.pulled_ms is not None,
        lines=tuple(rehearsal_line(test, wording, words, now_ms, operate=operate) for test in done),
        least_percent=round(site.pack.reserve_percent),
        several=bool(site.packs),
        years=None if years is None else years_shown(years, wording, words, now_ms),
    )


def years_shown(years: Years, wording: Wording, words: Words, now_ms: int) -> YearsContext:
    """The tests compared over the years, the newest first."""
    facts = []
    for one in reversed(years.tests):
        low, middle, high = (wording.energy(value) for value in one.capacity_wh)
        spread = words("test.between", range=words("fleet.range", low=low, high=high))
        facts.append(Fact(wording.clock(one.at_ms, now_ms), middle, spread))
    return YearsContext(words.again(years.says), tuple(facts))


def test_banner(test: DischargeTest | None, words: Words) -> str | None:
    """The banner over a site while its discharge test waits or runs."""
    if test is None:
        return None
    return words("test.banner_waits" if test.pulled_ms is None else "test.banner_runs")


def rehearsal_line(test: DischargeTest, wording: Wording, words: Words, now_ms: int, *, operate: bool) -> RehearsalLine:
    """One finished test."""
    result = test.result
    end = words("test.no_end") if test.end is None else words(f"test.end.{test.end.value}")
    said = None if result is None else result_said(result, words)
    helping = () if said is None else tuple(Fact(*help_parts(one, words)) for one in said.helps)
    return RehearsalLine(
        at=wording.clock(test.started_ms, now_ms),
        by=doer((test.started_by if operate else "") or words("link.someone"), words),
        end=end,
        verdict=words("test.no_result") if said is None else said.verdict,
        facts=() if result is None else tuple(result_facts(result, wording, words)),
        reasons=() if said is None else said.reasons,
        cautions=() if said is None else said.cautions,
        helps=helping,
    )


def result_facts(result: DischargeResult, wording: Wording, words: Words) -> list[Fact]:
    """What a test has measured; what it has not is left out."""
    low, middle, high = result.hours_full_to_reserve
    spread = words("test.between", range=wording.hours_range(low, high))
    found = [
        Fact(words("test.used"), words("test.used_says", percent=f"{result.used_percent:.0f}",
                                       time=wording.hours(result.duration_h))),
        Fact(words("test.hours"), wording.hours(middle), spread),
        Fact(words("test.draw"), wording.watts(result.draw_wh_per_h[1])),
    ]  # fmt: skip
    if result.capacity_wh is not None:
        low_wh, middle_wh, high_wh = (wording.energy(value) for value in result.capacity_wh)
        range_wh = words("fleet.range", low=low_wh, high=high_wh)
        found.append(Fact(words("test.capacity"), middle_wh, words("test.between", range=range_wh)))
    if result.idle_w is not None:
        found.append(Fact(words("test.idle"), wording.watts(result.idle_w[1])))
    if result.inverter_efficiency is not None:
        found.append(Fact(words("test.efficiency"), wording.percent(100.0 * result.inverter_efficiency[1])))
    if result.sizing_h is not None:
        found.append(Fact(words("test.sizing"), wording.hours(result.sizing_h)))
    yes_no = {True: words("telemetry.yes"), False: words("telemetry.no")}
    if result.started_pump is not None:
        found.append(Fact(words("test.started_pump"), yes_no[result.started_pump]))
    if result.sleeps_on_low_load is not None:
        found.append(Fact(words("test.sleeps"), yes_no[result.sleeps_on_low_load]))
    return found
