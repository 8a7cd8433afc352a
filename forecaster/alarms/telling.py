"""The text of an alarm: headline, what to do, by when, and what happens otherwise, from the present evidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from forecaster.alarms.evidence import AlarmEvidence
from forecaster.alarms.rules_channels import unheard
from forecaster.alarms.rules_health import gravest_part
from forecaster.alarms.rules_supply import idle_packs, lagging_packs
from forecaster.alarms.rules_watch import quiet_devices
from forecaster.domain.alarms import STUDIED, Alarm, AlarmKind, AlarmText
from forecaster.domain.forecast import PackRole
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.texts.catalogue import languages
from forecaster.texts.wording import Wording, named, unnamed

RESERVE_KINDS = frozenset({AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE})
PROJECTING = frozenset({*RESERVE_KINDS, AlarmKind.MAINS_LOST, AlarmKind.TELEMETRY_SILENT, AlarmKind.PACK_NOT_CHARGING})
"""Kinds whose headline gives a predicted end."""


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """The words of one message. by_ms : when to act at the latest [UTC milliseconds]."""

    headline: str
    action: str
    consequence: str
    by_ms: int | None
    translations: tuple[AlarmText, ...] = ()


class Teller:
    """Words one site's alarms in the site's language and in every other one.

    All languages are worded at the same moment, so that the record shows what a person was told, and readers of other
    languages see the same times.
    """

    def __init__(self, site: Site) -> None:
        wording = Wording.of(site, zoned=True)
        self._own = Voice(site, wording)
        others = [code for code in languages() if code != wording.words.code]
        self._others = [Voice(site, wording.in_language(code)) for code in others]

    def tell(self, kind: AlarmKind, variant: str, seen: AlarmEvidence, raised_ms: int) -> AlarmWords:
        """Words for an alarm that stands."""
        others = [voice.text(voice.tell(kind, variant, seen, raised_ms)) for voice in self._others]
        return replace(self._own.tell(kind, variant, seen, raised_ms), translations=tuple(others))

    def cleared(self, kind: AlarmKind, seen: AlarmEvidence, raised_ms: int) -> AlarmWords:
        """Words for an alarm that is over."""
        others = [voice.text(voice.cleared(kind, seen, raised_ms)) for voice in self._others]
        return replace(self._own.cleared(kind, seen, raised_ms), translations=tuple(others))

    def reminded(self, alarm: Alarm) -> Alarm:
        """The alarm with the headline of a reminder."""
        others = {voice.words.code: voice for voice in self._others}
        again = [
            replace(text, headline=others[text.language].reminder(text.headline)) if text.language in others else text
            for text in alarm.translations
        ]
        return replace(alarm, headline=self._own.reminder(alarm.headline), translations=tuple(again))


class Voice:
    """Words one site's alarms in one language.

    Each headline opens with the site's name, each clock time has its zone.
    """

    def __init__(self, site: Site, wording: Wording) -> None:
        self.site, self.wording, self.words = site, wording, wording.words

    def text(self, told: AlarmWords) -> AlarmText:
        """The words of an alarm, as a translation."""
        return AlarmText(self.words.code, told.headline, told.action, told.consequence)

    def tell(self, kind: AlarmKind, variant: str, seen: AlarmEvidence, raised_ms: int) -> AlarmWords:
        """Words for an alarm that stands."""
        by_ms = self._by(kind, seen, raised_ms)
        facts = self._facts(seen, raised_ms, by_ms) | self._part_facts(kind, seen)
        variants = [f"{kind}.{variant}"]
        headline = self._of_pump(self._form(variants, kind.value, facts), kind, seen)
        return AlarmWords(
            headline=named(headline, self.site.name, self.words),
            action=self._form([f"{key}.action" for key in variants], f"{kind}.action", facts),
            consequence=self._form([f"{key}.consequence" for key in variants], f"{kind}.consequence", {}),
            by_ms=by_ms,
        )

    def cleared(self, kind: AlarmKind, seen: AlarmEvidence, raised_ms: int) -> AlarmWords:
        """Words for an alarm that is over."""
        facts = self._facts(seen, raised_ms, None)
        return AlarmWords(
            named(
                self._form([] if seen.on_pack else [f"{kind}.cleared.mains"], f"{kind}.cleared", facts),
                self.site.name,
                self.words,
            ),
            self.words("alarm.cleared.action"),
            "",
            None,
        )

    def reminder(self, headline: str) -> str:
        """The headline of a reminder."""
        bare = unnamed(headline, self.site.name, self.words)
        return named(self.words("alarm.reminder", headline=bare), self.site.name, self.words)

    def channel(self, name: str) -> str:
        """The name of a delivery channel for people."""
        return self.words(f"channel.{name}") if f"channel.{name}" in self.words else name

    def _form(self, wanted: list[str], usual: str, facts: Mapping[str, str]) -> str:
        """The first of the wanted texts that the language has, else the usual one, filled in."""
        key = next((key for key in wanted if f"alarm.{key}" in self.words), usual)
        return self.words(f"alarm.{key}", **facts)

    def _by(self, kind: AlarmKind, seen: AlarmEvidence, raised_ms: int) -> int | None:
        """The time to act by: the earliest likely end, where there is one, else the table's time to respond.

        For a loss of the mains it lies before the reserve gets low.
        """
        respond_ms = raised_ms + int(seen.row(kind).respond_s * 1000.0)
        early = seen.forecast.hours_remaining.p10
        if early is None or kind not in {*RESERVE_KINDS, AlarmKind.MAINS_LOST}:
            return respond_ms
        end_ms = seen.forecast.issued_at_ms + int(early * HOUR_MS)
        if kind is AlarmKind.MAINS_LOST:
            return max(respond_ms, end_ms - int((seen.row(AlarmKind.LOW_RESERVE).limit or 0.0) * HOUR_MS))
        return max(seen.now_ms, end_ms)

    def _deadline(self, by_ms: int | None, now_ms: int) -> str:
        """The time to act by, worded for the start of an action; "now" where it has passed."""
        if by_ms is None or by_ms <= now_ms:
            return self.words("alarm.by-now")
        return self.words("alarm.by", time=self.wording.about(by_ms, now_ms))

    def _facts(self, seen: AlarmEvidence, raised_ms: int, by_ms: int | None) -> dict[str, str]:
        status, forecast, say, now = seen.status, seen.forecast, self.wording, seen.now_ms
        ended_ms = now if seen.on_pack or status.supply_since_ms is None else max(status.supply_since_ms, raised_ms)
        facts = {
            "now": say.within(now, now),
            "by": self._deadline(by_ms, now),
            "seen": say.within(raised_ms, now),
            "since": say.within(raised_ms if status.supply_since_ms is None else status.supply_since_ms, now),
            "until": self._until(seen),
            "empty": say.at(forecast.hours_to_empty, forecast.issued_at_ms, now),
            "charge": say.percent(forecast.charge_percent),
            "reserve": say.percent(seen.site.pack.reserve_percent),
            "lasted": say.duration((ended_ms - raised_ms) / 1000.0),
            "returned": say.within(ended_ms, now),
            "full": "",
            "warmth": say.temperature(status.pack_temperature_c),
            "warm_limit": say.temperature(seen.row(AlarmKind.PACK_TEMPERATURE).limit),
            "freezing": say.temperature(0.0),
            "rating": say.watts(seen.site.pack.continuous_w),
            "generator": self.words("alarm.generator"),
            "water": self.words("alarm.water"),
            "clock": self.words.again(status.clock_suspect or ""),
            "trouble": self.words.again((seen.outside.trouble or seen.outside.broker) or ""),
            "first_pump": seen.site.pumps[0].id if seen.site.pumps else say.words("wording.unknown"),
            "second_pump": seen.site.pumps[1].id if seen.site.pumps else say.words("wording.unknown"),
            **self._pack_facts(seen),
            "frozen": say.listed([self.words(f"measured.{quantity.value}") for quantity in status.frozen]),
        }
        if forecast.full_at_ms is not None:
            facts["full"] = self.words("alarm.full", full=say.about(forecast.full_at_ms, now))
        facts["supply"] = self.words("alarm.on-pack" if seen.on_pack else "alarm.on-mains", until=facts["until"])
        facts |= self._wet_facts(seen, raised_ms)
        facts |= self._load_facts()
        facts |= self._pump_facts(seen)
        facts |= self._watch_facts(seen)
        return facts

    def _pack_facts(self, seen: AlarmEvidence) -> dict[str, str]:
        """The packs that carry nothing; where each pump has its own, those behind both, and which pump still lifts."""
        idle, unknown = (idle_packs(seen.forecast) or (None, []))[1], self.words("wording.unknown")
        behind = [one.id for one in seen.forecast.packs if one.pump is not None] or [unknown, unknown]
        lifts = next((one for one in seen.forecast.packs if one.role is PackRole.CARRYING and one.pump), None)
        stands = [one.pump for one in seen.forecast.packs if one.id in idle and one.pump]
        return {
            "packs": self.wording.listed(idle),
            "low_packs": self.wording.listed(
                [f"{one.id} {self.wording.percent(one.charge_percent)}" for one in lagging_packs(seen)]
            ),
            "first_pack": behind[0],
            "second_pack": behind[1],
            "last_pack": unknown if lifts is None else lifts.id,
            "last_pump": unknown if lifts is None or lifts.pump is None else lifts.pump,
            "idle_pumps": self.wording.listed(stands),
        }

    def _until(self, seen: AlarmEvidence) -> str:
        forecast = seen.forecast
        quantiles = forecast.hours_remaining
        if quantiles.p10 is None and quantiles.p50 is None and forecast.never_probability >= 0.5:
            return self.wording.beyond(forecast.horizon_h)
        return self.wording.until(quantiles, forecast.issued_at_ms, seen.now_ms)

    def _wet_facts(self, seen: AlarmEvidence, raised_ms: int) -> dict[str, str]:
        """When the floor may be wet: after a missing run, after the pack is empty, above the high float."""
        minutes, empty_h = seen.forecast.water.minutes_to_floor, seen.forecast.hours_to_empty.p10
        freeboard_ms = None if minutes is None else int(minutes * MINUTE_MS)
        from_ms = before_ms = None
        if freeboard_ms is not None:
            before_ms = raised_ms + freeboard_ms
            if empty_h is not None:
                from_ms = seen.forecast.issued_at_ms + int(empty_h * HOUR_MS) + freeboard_ms
        return {
            "wet": self._wet("alarm.wet", seen.wet_ms, seen.now_ms),
            "wet_from": self._wet("alarm.wet-from", from_ms, seen.now_ms),
            "wet_before": self._wet("alarm.wet-before", before_ms, seen.now_ms),
        }

    def _wet(self, key: str, at_ms: int | None, now_ms: int) -> str:
        if at_ms is None:
            return ""
        if at_ms <= now_ms:
            return self.words("alarm.wet-now")
        soon = at_ms - now_ms < HOUR_MS
        return self.words(key, time=self.wording.within(at_ms, now_ms) if soon else self.wording.about(at_ms, now_ms))

    def _load_facts(self) -> dict[str, str]:
        """The loads that may be switched off; never an essential one."""
        spare = self.wording.listed([load.name for load in self.site.loads if not load.essential])
        form = "any" if not self.site.loads else "named" if not all(load.essential for load in self.site.loads) else ""
        return {
            "shed": self.words(f"alarm.shed.{form}", loads=spare) if form else "",
            "unload": self.words(f"alarm.unload.{form}", loads=spare) if form else "",
        }

    def _pump_facts(self, seen: AlarmEvidence) -> dict[str, str]:
        status, say, now = seen.status, self.wording, seen.now_ms
        last, running = status.last_run, status.running_since_ms
        worked_ms = status.waiting_since_ms if last is None else max(last.stop_ms, status.waiting_since_ms or 0)
        run_s, run_w, rate = status.run_s_normal, status.running_w_normal, status.cycles_per_hour_normal
        return {
            "running": say.duration(None if running is None else (now - running) / 1000.0),
            "run_normal": say.duration(None if run_s is None else run_s.p50),
            "run_recent": say.duration(status.run_s_recent),
            "run_last": say.duration(None if last is None else last.run_s),
            "last_run": say.ago(None if worked_ms is None else (now - worked_ms) / 1000.0),
            "run_watts": say.watts(None if last is None else last.power_w),
            "watts_normal": say.watts(None if run_w is None else run_w.p50),
            "flow_less": say.percent(self._flow_less_percent(seen)),
            "starts": str(status.cycles_last_hour),
            "starts_normal": say.words("wording.unknown") if rate is None else self.words.number(rate.p95, 0),
        }

    def _flow_less_percent(self, seen: AlarmEvidence) -> float | None:
        share = seen.status.flow_share
        return None if share is None else max(100.0 * (1.0 - share), 0.0)

    def _part_facts(self, kind: AlarmKind, seen: AlarmEvidence) -> dict[str, str]:
        """What the study of the long record says of the part that a kind is about."""
        told = gravest_part(kind, seen) if kind in STUDIED else None
        if told is None:
            return {"changed": self.words("wording.unknown"), "advice": ""}
        changed = None if told.change is None else abs(100.0 * told.change)
        return {"changed": self.wording.percent(changed), "advice": self.words.again(told.do)}

    def _of_pump(self, headline: str, kind: AlarmKind, seen: AlarmEvidence) -> str:
        """A headline with the pump that it is about, where the study tells of one of two."""
        told = gravest_part(kind, seen) if kind in STUDIED else None
        if told is None or not told.pump:
            return headline
        return self.words("health.of_pump", pump=told.pump, says=headline)

    def _watch_facts(self, seen: AlarmEvidence) -> dict[str, str]:
        status, say, now = seen.status, self.wording, seen.now_ms
        heard = None if status.data_age_s is None else now - int(status.data_age_s * 1000.0)
        failing = seen.outside.failing
        tested = None if status.last_test_ms is None else (now - status.last_test_ms) / 1000.0
        quiet = quiet_devices(seen)
        oldest_s = max((age.age_s for age in quiet if age.age_s is not None), default=0.0)
        return {
            "quiet": say.listed([self.words(f"measured.{age.quantity.value}") for age in quiet]),
            "quiet_since": say.within(now - int(oldest_s * 1000.0), now),
            "heard": say.words("wording.ago.never") if heard is None else say.within(heard, now),
            "channels": say.listed([self.channel(item.channel) for item in failing]),
            "failing": say.within(min((item.since_ms for item in failing), default=now), now),
            "error": failing[0].error if failing else "",
            "tested": say.ago(tested),
            "unheard": say.listed([self.words(f"measured.{age.quantity.value}") for age in unheard(seen)]),
            "refused": say.listed([item.name for item in seen.outside.refused[:2]]),
            "refusal": seen.outside.refused[0].reason if seen.outside.refused else "",
        }
