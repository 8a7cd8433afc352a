"""What to do now: the gravest open alarm's action with its time and amount, or that nothing is to be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from api.offline.readiness import ReadyLine, readiness_at
from api.pages.contexts import AlarmCard
from api.pages.ports import PagePorts
from forecaster.alarms.grouping import OUTAGE
from forecaster.domain.alarms import AlarmState
from forecaster.domain.forecast import Forecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.engine.relief import Relief, relief_of
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

CAUTIONS = ("alarm.water", "alarm.generator")


@dataclass(frozen=True, slots=True)
class ActNow:
    """The box on top of a site's page.

    card : AlarmCard | None — the alarm to act on; None: no alarm asks for anything
    says : its headline, "" where the page's first sentence says it already
    does : what to do, without its cautions, which stand apart
    amount : how much of what by when; "" where nothing of the kind helps
    asked : somebody has just pressed the button, and the forecaster has not yet taken it up
    leaving : whether what stands here is told in full on the page "Before you leave"
    """

    card: AlarmCard | None
    says: str
    does: str
    cautions: tuple[str, ...]
    amount: str
    asked: bool
    leaving: bool = False


def act_now(
    ports: PagePorts,
    site: Site,
    forecast: Forecast | None,
    cards: Sequence[AlarmCard],
    words: Words,
    now_ms: int,
    *,
    asked: str = "",
) -> ActNow | None:
    """What stands on top: the first alarm that asks for something, else whether the house is ready.

    asked : id of an alarm that somebody has just acknowledged from this page
    """
    wording = Wording.of(site, words)
    standing = [card for card in cards if not card.over and card.alarm.state is not AlarmState.SHELVED]
    if standing:
        return act_on(standing[0], site, forecast, wording, words, now_ms, asked=asked)
    if forecast is None:
        return None
    if forecast.supply is Supply.PACK:
        return ActNow(None, "", words("act.no_alarm"), (), amount_of(site, forecast, wording, now_ms), asked=False)
    return at_rest(ports, site, forecast, wording, words, now_ms)


def act_on(
    card: AlarmCard,
    site: Site,
    forecast: Forecast | None,
    wording: Wording,
    words: Words,
    now_ms: int,
    *,
    asked: str = "",
) -> ActNow:
    """The box of an alarm that stands."""
    does, cautions = apart(card.alarm.action, words)
    amount = "" if forecast is None or card.alarm.kind not in OUTAGE else amount_of(site, forecast, wording, now_ms)
    waits = asked == card.alarm.id and card.can_acknowledge
    says = "" if card.alarm.kind in OUTAGE else card.headline
    return ActNow(card, says, does, cautions, amount, asked=waits)


def apart(action: str, words: Words) -> tuple[str, tuple[str, ...]]:
    """What to do, and the cautions that it carries."""
    cautions = tuple(said for said in map(words, CAUTIONS) if said in action)
    for said in cautions:
        action = action.replace(said, "")
    return " ".join(action.split()), cautions


def amount_of(site: Site, forecast: Forecast, wording: Wording, now_ms: int) -> str:
    """How much energy by when, how long a generator needs for it, and the load whose absence helps most."""
    relief, words = relief_of(site, forecast), wording.words
    if relief is None:
        return ""
    said = [words(brought(relief, now_ms), **brought_facts(relief, wording, now_ms))]
    if relief.sheds:
        first = relief.sheds[0]
        said.append(words("act.shed", load=first.load, gain=wording.hours(first.gain_h)))
    return " ".join(said)


def brought(relief: Relief, now_ms: int) -> str:
    """The form of words for energy that is brought: by a time or at once, by a generator where its pace is known."""
    when = "soon" if relief.by_ms > now_ms else "now"
    into = f"act.energy.{'apart.' if relief.pack else ''}{when}"
    return into if relief.generator_h is None else f"{into}.generator"


def brought_facts(relief: Relief, wording: Wording, now_ms: int) -> dict[str, str]:
    """What is filled into it."""
    return {
        "pack": relief.pack,
        "energy": wording.energy(relief.energy_wh),
        "time": wording.about(relief.by_ms, now_ms),
        "added": wording.hours(relief.added_h),
        "generator": wording.hours(relief.generator_h),
    }


def at_rest(
    ports: PagePorts, site: Site, forecast: Forecast, wording: Wording, words: Words, now_ms: int
) -> ActNow | None:
    """On mains with no alarm: ready for so long, or what is not."""
    found = readiness_at(ports.chain(site, words, now_ms, forecast))
    missing = [line for line in found.lines if line.must and not line.is_held]
    hours = forecast.hours_remaining.p10
    if missing:
        return ActNow(None, "", words("act.not_ready", what=missing_words(missing)), (), "", asked=False, leaving=True)
    if hours is None:
        return ActNow(None, "", words("act.ready_unknown"), (), "", asked=False, leaving=True)
    return ActNow(None, "", words("act.ready", hours=wording.hours(hours)), (), "", asked=False, leaving=True)


def missing_words(missing: Sequence[ReadyLine]) -> str:
    """What is not held, and what to do about the first of it."""
    return " ".join([*(line.says for line in missing), missing[0].do])
