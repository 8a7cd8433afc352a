"""Which readings are samples: channels that refuse much, hear several devices, slip a unit, or are off in time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from collector.decode.payload import Decoder
from collector.guard.guard import ChannelGuard
from collector.guard.notes import ChannelsSeen, by_channel, channels_told, keep_channels
from collector.store.open import open_ledger
from forecaster.domain.channels import ChannelFacts, DoubtKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, Refusal
from forecaster.domain.site import Channel, Site
from forecaster.twin.live import larkspur_site

T0 = 1_772_510_700_000
MINUTE, HOUR = 60_000, 3_600_000


def site(*channels: Channel) -> Site:
    return replace(larkspur_site(), channels=channels)


POWER = Channel(Quantity.PUMP_POWER, "cellar/+/power")
CHARGE = Channel(Quantity.PACK_CHARGE, "cellar/+/charge")


@dataclass
class Line:
    """A decoder with its guard, and what came of some messages."""

    site: Site
    kept: list[ChannelFacts] = field(default_factory=list)
    taken: list[Reading] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.decoder = Decoder([self.site])
        self.guard = ChannelGuard([self.site], by_channel({self.site.id: self.kept}))

    def send(self, topic: str, payload: str, at_s: float) -> None:
        body = payload.encode()
        found = self.guard.admit(topic, body, self.decoder.decode(topic, body, T0 + round(1000 * at_s)))
        self.taken += found.readings
        self.refused += found.refusals

    def facts(self) -> ChannelFacts:
        return self.guard.facts()[self.site.id][0]

    def doubts(self) -> set[DoubtKind]:
        return {doubt.kind for doubt in self.facts().doubts}


def runs(hours: float, on: str, off: str = "0", every: int = 12) -> Iterable[tuple[str, float]]:
    """A message every 10 s, one in so many from a run."""
    return ((on if k % every == 0 else off, 10.0 * k) for k in range(round(360 * hours)))


@pytest.mark.parametrize("on", ["500,2", "500 W"])
def test_zeros_are_no_sample_where_runs_are_refused(on: str) -> None:
    """One message in 36 is refused, which is less than a twentieth, and still all that tells anything."""
    line = Line(site(POWER))
    for payload, at_s in runs(2.0, on, every=36):
        line.send("cellar/plug/power", payload, at_s)
    assert line.doubts() == {DoubtKind.REFUSING}
    assert max(r.time_ms for r in line.taken) < T0 + 25 * MINUTE
    assert on in line.facts().doubts[0].says
    assert line.facts().withheld > 150
    assert any("is withheld" in refusal.reason for refusal in line.refused)


@pytest.mark.parametrize("on", ["500,2", "500 W"])
def test_zeros_are_no_sample_where_the_pump_runs_once_in_two_hours(on: str) -> None:
    """No hour has more than one refusal; five after the first rest, all that is taken is known to be rests."""
    line = Line(site(POWER))
    for payload, at_s in runs(24.0, on, every=720):
        line.send("cellar/plug/power", payload, at_s)
    assert line.doubts() == {DoubtKind.REFUSING}
    assert max(r.time_ms for r in line.taken) <= T0 + 10 * HOUR
    assert on in line.facts().doubts[0].says
    line.send("cellar/plug/power", "500.2", 86_400.0)
    line.send("cellar/plug/power", "0", 86_410.0)
    assert line.doubts() == set()
    assert line.taken[-1].time_ms == T0 + 86_410_000


def test_a_word_now_and_then_is_not_held_against_a_pump_that_rests() -> None:
    """A device that is restarted once an hour tells no power then: none was lost."""
    line = Line(site(POWER))
    for payload, at_s in runs(24.0, "unavailable", every=360):
        line.send("cellar/plug/power", payload, at_s)
    assert line.doubts() == set()


def test_a_twentieth_of_refusals_is_too_much_and_it_ends_with_them() -> None:
    line = Line(site(POWER))
    for k in range(100):
        line.send("cellar/plug/power", "unavailable" if k % 19 == 0 else f"{k}", 10.0 * k)
    assert line.doubts() == {DoubtKind.REFUSING}
    for k in range(100, 700):
        line.send("cellar/plug/power", f"{k % 50}", 10.0 * k)
    assert line.doubts() == set()
    assert line.taken[-1].time_ms == T0 + 6_990_000


def test_a_bad_message_now_and_then_is_not_held_against_a_channel() -> None:
    line = Line(site(POWER))
    for k, (payload, at_s) in enumerate(runs(6.0, "482.1")):
        line.send("cellar/plug/power", "\xff" if k % 700 == 350 else payload, at_s)
    assert line.doubts() == set()
    assert len(line.taken) == 2160 - 3


def test_of_two_packs_the_lower_is_taken_and_the_other_told_apart() -> None:
    line = Line(site(CHARGE))
    for k in range(120):
        line.send("cellar/pack-b/charge", "100", 60.0 * k)
        line.send("cellar/pack-a/charge", str(100 - k // 2), 60.0 * k + 5.0)
    assert line.doubts() == {DoubtKind.TOPICS}
    late = [r.value for r in line.taken if r.time_ms > T0 + HOUR]
    assert max(late) < 71
    assert line.facts().topics == ("cellar/pack-a/charge", "cellar/pack-b/charge")
    assert "write the one topic" in line.facts().doubts[0].says


def test_of_two_plugs_the_one_like_the_nameplate_is_taken() -> None:
    line = Line(site(POWER))
    for k, (payload, at_s) in enumerate(runs(2.0, "482.1")):
        line.send("cellar/fridge/power", "90.5" if k % 3 else "0", at_s)
        line.send("cellar/plug/power", payload, at_s + 1.0)
    late = {r.value for r in line.taken if r.time_ms > T0 + HOUR}
    assert late == {0.0, 482.1}


def test_a_new_device_follows_one_that_has_fallen_silent() -> None:
    line = Line(site(CHARGE))
    for k in range(30):
        line.send("cellar/old/charge", "80", 60.0 * k)
    for k in range(60, 90):
        line.send("cellar/new/charge", "90", 60.0 * k)
    assert line.doubts() == set()
    assert line.taken[-1].value == 90.0


def test_a_share_told_as_percent_is_no_sample_from_the_first_message_on() -> None:
    line = Line(site(CHARGE))
    for k in range(20):
        line.send("cellar/pack/charge", f"{1.0 - 0.01 * k:.2f}", 60.0 * k)
    assert line.doubts() == {DoubtKind.SCALE}
    assert line.taken == []
    assert 'unit = "ratio"' in line.facts().doubts[0].says


def test_a_pack_that_is_nearly_empty_is_believed() -> None:
    line = Line(site(CHARGE))
    for k in range(20):
        line.send("cellar/pack/charge", str(max(0, 5 - k)), 60.0 * k)
    assert line.doubts() == set()
    assert [r.value for r in line.taken[-3:]] == [0.0, 0.0, 0.0]
    again = Line(line.site, [line.facts()])  # after a restart
    again.send("cellar/pack/charge", "1", 1300.0)
    assert [r.value for r in again.taken] == [1.0]


def test_kilowatts_told_as_watts_are_named() -> None:
    line = Line(site(POWER))
    for payload, at_s in runs(0.5, "0.482"):
        line.send("cellar/plug/power", payload, at_s)
    assert line.doubts() == {DoubtKind.SCALE}
    assert 'unit = "kW"' in line.facts().doubts[0].says
    assert line.taken[-1].time_ms < T0 + 15 * MINUTE


def test_a_pump_that_never_rests_is_named_and_believed() -> None:
    line = Line(site(POWER))
    for k in range(120):
        line.send("cellar/house/power", f"{600 + k % 7}", 10.0 * k)
    assert line.doubts() == {DoubtKind.RESTLESS}
    assert len(line.taken) == 120
    line.send("cellar/house/power", "0", 1300.0)
    assert line.doubts() == set()


TIMED = Channel(Quantity.PUMP_POWER, "plug", "$.v", time="$.t")


def timed(value: float, at_s: float) -> str:
    return f'{{"v": {value}, "t": {T0 + round(1000 * at_s)}}}'


@pytest.mark.parametrize("off_s", [-5 * 3600.0, 23 * 3600.0, -443.0])
def test_a_constant_lag_is_the_clocks_and_is_set_right(off_s: float) -> None:
    line = Line(site(TIMED))
    for k in range(60):
        line.send("plug", timed(k, 10.0 * k + off_s), 10.0 * k + 0.3)
    assert line.doubts() == {DoubtKind.CLOCK}
    assert line.facts().lag_ms == pytest.approx(-1000.0 * off_s, abs=400)
    late = line.taken[-1]
    assert late.time_ms == pytest.approx(T0 + 590_000, abs=400)
    assert all(r.time_ms <= r.arrived_ms + 400 for r in line.taken)
    again = Line(line.site, [line.facts()])  # the same message comes again after a restart: the same row
    again.send("plug", timed(59, 590.0 + off_s), 640.0)
    assert again.taken[0].key == late.key
    line.send("plug", timed(60, 600.0), 600.3)
    assert (line.doubts(), line.taken[-1].time_ms) == (set(), T0 + 600_000)


def test_a_backlog_is_not_a_clock_that_is_off() -> None:
    line = Line(site(TIMED))
    for k in range(1000):
        line.send("plug", timed(k, 10.0 * k), 10_000.0 + 0.3 * k)
    assert line.doubts() == set()
    assert [r.time_ms for r in line.taken] == [T0 + 10_000 * k for k in range(1000)]


def test_a_batch_every_half_hour_is_not_a_clock_that_is_off() -> None:
    line = Line(site(TIMED))
    for k in range(720):
        line.send("plug", timed(k, 10.0 * k), 1800.0 * (k // 180 + 1) + 0.01 * (k % 180))
    assert line.doubts() == set()
    assert len(line.taken) == 720


def test_a_time_ahead_that_nothing_explains_is_not_believed() -> None:
    line = Line(site(TIMED))
    line.send("plug", timed(1, 0.0), 0.3)
    line.send("plug", timed(2, 23 * 3600.0), 10.3)
    assert [r.value for r in line.taken] == [1.0]
    assert "23 h ahead of its arrival" in line.refused[0].reason


def test_facts_are_kept_and_read_again(tmp_path: Path) -> None:
    ledger = open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")
    line = Line(site(TIMED))
    line.send("plug", timed(1, 0.0), 0.3)
    keep_channels(ledger, {"larkspur": [line.facts()]})
    assert channels_told(ledger) == {"larkspur": [line.facts()]}
    assert line.facts().name == "pump_power"
    assert (line.facts().taken, line.facts().heard_ms) == (1, T0 + 300)
    ledger.close()


def test_who_looks_again_reads_what_has_changed(tmp_path: Path) -> None:
    """In: a site's facts, those of another beside newer ones, and a note of another release. Out: what stands."""
    ledger = open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")
    line = Line(site(TIMED))
    line.send("plug", timed(1, 0.0), 0.3)
    keep_channels(ledger, {"larkspur": [line.facts()]})
    seen, before = ChannelsSeen(), line.facts()
    assert seen.look(ledger) == {"larkspur": [before]}
    line.send("plug", timed(3, 1.0), 1.3)
    keep_channels(ledger, {"larkspur": [line.facts()], "other": [before]})
    assert seen.look(ledger) == {"larkspur": [line.facts()], "other": [before]}
    ledger.forget_note("channels:other")
    ledger.note("channels:larkspur", "of another release")
    assert seen.look(ledger) == channels_told(ledger) == {}
    ledger.close()
