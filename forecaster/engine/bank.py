"""Several packs of one house, folded into what a single pack of their size would report.

Charges are weighted by the plates' energies, and powers add. What a pack holds counts only where it can be had: a pack
that carries nothing while another one does, or that is not heard any more, stays in the sum of the charge, from which
the rest of the fold tells what was used, and is taken off what is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

import msgspec

from forecaster.domain.forecast import PackNow, PackRole
from forecaster.domain.quantities import PACK_POWERS, PACK_QUANTITIES, Quantity
from forecaster.domain.site import Arrangement, Site
from forecaster.domain.status import ASLEEP_W
from forecaster.engine.buffer import CODES, ORDER, Held, key_of
from forecaster.engine.rests import Rests
from forecaster.pack.bank import loads_of, steady_shares
from forecaster.segment.rhythm import Rhythm

LOST_MS = 15 * 60_000
"""A pack that is not heard for this long, or for as long as its rhythm explains, is not counted on [ms]."""
TOGETHER_MS: dict[Quantity, int] = {Quantity.PACK_CHARGE: 60_000}
"""How long a new value waits for those of the other packs [ms]."""
USUALLY_TOGETHER_MS = 20_000
CARRYING_W = 20.0
"""While one pack gives as much as this, another one that gives less than ASLEEP_W carries nothing [W]."""
TIMES_ASLEEP, ASLEEP_MS = 3, 120_000
"""How often, and over how long [ms], that must be seen: the powers are not read at the same moment."""
FELL_PERCENT, STOOD_PERCENT, MOVED_PERCENT = 6.0, 1.0, 3.0
"""A pack whose charge fell by less than the second while another one's fell by the first carries nothing, until its own
moves by the third [%]. An inverter that idles moves it more slowly."""
EMPTY_PERCENT = 5.0
"""Below this a pack may switch off by itself (common practice, no source) [%]."""
MILD_C = 20.0

NOT_COUNTED = (PackRole.OFF, PackRole.SILENT, PackRole.STRANDED)


@dataclass(frozen=True, slots=True)
class Missing:
    """A share of the charge [%] that cannot be had: above the packs' own reserves, and all of it."""

    above_percent: float = 0.0
    all_percent: float = 0.0


NOTHING_MISSING = Missing()


@dataclass(frozen=True, slots=True)
class Hung:
    """What hangs on packs that each feed a pump of their own.

    pumps : by pack, its pump; lifts : the packs whose pumps lift; stranded : those whose pumps cannot be counted on
    """

    pumps: Mapping[str, str]
    lifts: frozenset[str]
    stranded: frozenset[str]


ALL_PACKS = Hung({}, frozenset(), frozenset())
"""All packs feed all that there is."""


class BankPack(msgspec.Struct):
    """One of the packs.

    nominal_wh, reserve_percent : float — of its plate [Wh], [%]
    rhythms : by quantity, what was heard of it
    from_percent : float | None — its charge when the counting of falls last began [%]
    asleep, asleep_ms : how often, and since when, it gave nothing while another one gave much
    off_percent : float | None — its charge when it was found to carry nothing [%]; None: it was not
    loads_share, idle_share : float — its shares of the other loads and of the inverters' own draw, where it feeds one
        of two pumps, 0..1; steady_w : float — what those of the loads take that are listed without rests [W]
    rests : of its output
    empty_ms : int | None — since when it is empty while the mains is away; None: it is not
    """

    nominal_wh: float
    reserve_percent: float
    rhythms: dict[Quantity, Rhythm] = msgspec.field(default_factory=dict)
    from_percent: float | None = None
    asleep: int = 0
    asleep_ms: int = 0
    off_percent: float | None = None
    loads_share: float = 0.0
    idle_share: float = 0.0
    empty_ms: int | None = None
    steady_w: float = 0.0
    rests: Rests = msgspec.field(default_factory=Rests)

    def value(self, quantity: Quantity) -> float | None:
        """The newest value of a quantity; None where none was heard."""
        rhythm = self.rhythms.get(quantity)
        return None if rhythm is None else rhythm.last_value

    def silent(self, quantity: Quantity, at_ms: int) -> bool:
        """Whether a quantity is not heard, or not for longer than its rhythm explains."""
        rhythm = self.rhythms.get(quantity)
        return rhythm is None or rhythm.silent(at_ms)

    def should_give(self, at_ms: int) -> bool:
        """Whether, with charge left, it feeds a load that never rests, or that does not rest for so long."""
        charged = (self.value(Quantity.PACK_CHARGE) or 0.0) > EMPTY_PERCENT
        return charged and self.steady_w > ASLEEP_W and not self.rests.usual(at_ms)

    def gave_nothing(self, at_ms: int) -> None:
        """Take note that it gave nothing though it should: time and again, and it is off."""
        if self.asleep == 0:
            self.asleep_ms = at_ms
        self.asleep += 1
        if self.asleep >= TIMES_ASLEEP and at_ms - self.asleep_ms >= ASLEEP_MS:
            self.off_percent = self.value(Quantity.PACK_CHARGE)

    def lost(self, at_ms: int) -> bool:
        """Whether nothing has been heard of the pack for so long that it is not counted on."""
        heard = [r.last_ms for r in self.rhythms.values() if r.last_ms is not None]
        return not heard or (at_ms - max(heard) > LOST_MS and all(r.silent(at_ms) for r in self.rhythms.values()))


class PackBank(msgspec.Struct):
    """The packs of one house in the order in which they are listed.

    fresh : by quantity, the packs heard since the last value that was made of them, and when that was [ms]
    on_pack : bool — whether the packs carry, as last told
    """

    arrangement: Arrangement
    packs: dict[str, BankPack]
    stated_ms: dict[str, int] = msgspec.field(default_factory=dict)
    fresh: dict[Quantity, list[str]] = msgspec.field(default_factory=dict)
    made_ms: dict[Quantity, int] = msgspec.field(default_factory=dict)
    on_pack: bool = False

    @classmethod
    def of(cls, site: Site, stated_ms: dict[str, int]) -> PackBank | None:
        """The bank of a site; None for a single pack. stated_ms : the owner's limits for silence, by stream [ms]."""
        if site.arrangement is None:
            return None
        packs = {one.id: BankPack(one.pack.nominal_wh, one.pack.reserve_percent) for one in site.packs}
        if site.pack_a_pump:
            for place, (pack, shares) in enumerate(zip(packs.values(), steady_shares(site), strict=True)):
                pack.loads_share, pack.idle_share = shares
                pack.steady_w = sum(one.watts for one in loads_of(site, place) if one.runs_per_hour is None)
        return cls(site.arrangement, packs, stated_ms)

    def adapted(self, fresh: PackBank | None) -> PackBank | None:
        """The bank by a changed site file: packs that are still there keep what was heard of them."""
        if fresh is None:
            return None
        for name, pack in fresh.packs.items():
            kept = self.packs.get(name)
            if kept is not None:
                pack.rhythms = kept.rhythms
                for quantity, rhythm in pack.rhythms.items():
                    rhythm.stated_ms = fresh.stated_ms.get(key_of(quantity, name))
                if kept.nominal_wh == pack.nominal_wh and self.arrangement is fresh.arrangement:
                    pack.from_percent, pack.off_percent = kept.from_percent, kept.off_percent
                    pack.empty_ms = kept.empty_ms
        fresh.on_pack = self.on_pack
        return fresh

    def rhythm(self, quantity: Quantity, name: str) -> Rhythm | None:
        """The rhythm of one pack's quantity; None where it was never heard."""
        pack = self.packs.get(name)
        return None if pack is None else pack.rhythms.get(quantity)

    # -- what is heard

    def pooled(self, items: Iterable[Held], on_pack: Callable[[], bool]) -> Iterator[Held]:
        """Readings with those of the packs replaced by what all packs together come to. on_pack : who carries now."""
        for item in items:
            at_ms, code, name, arrived_ms, value = item
            quantity = ORDER[code]
            if quantity not in PACK_QUANTITIES:
                yield item
                continue
            whole = self._take(at_ms, quantity, name, value, on_pack())
            if whole is not None:
                yield at_ms, CODES[quantity], "", arrived_ms, whole

    def _take(self, at_ms: int, quantity: Quantity, name: str, value: float, on_pack: bool) -> float | None:
        """Take a reading of one pack. Returns the value of all together, once each has been heard anew."""
        pack = self.packs.get(name)
        if pack is None:
            return None
        rhythm = pack.rhythms.get(quantity)
        if rhythm is None:
            rhythm = pack.rhythms[quantity] = Rhythm(stated_ms=self.stated_ms.get(key_of(quantity, name)))
        if rhythm.last_ms is not None and at_ms <= rhythm.last_ms:
            return None
        rhythm.heard(at_ms, value)
        if on_pack is not self.on_pack:
            self._transfer(on_pack=on_pack)
        if quantity is Quantity.PACK_CHARGE:
            self._fell(name, pack, value)
            pack.empty_ms = (pack.empty_ms or at_ms) if self.on_pack and value <= 0.0 else None
        elif quantity is Quantity.PACK_OUTPUT_POWER:
            self._gave(at_ms, name, pack, value)
        fresh = self.fresh.setdefault(quantity, [])
        if name not in fresh:
            fresh.append(name)
        waited_ms = at_ms - self.made_ms.get(quantity, at_ms)
        due = all(one in fresh or other.silent(quantity, at_ms) for one, other in self.packs.items())
        if not due and waited_ms < TOGETHER_MS.get(quantity, USUALLY_TOGETHER_MS):
            self.made_ms.setdefault(quantity, at_ms)
            return None
        whole = self._whole(quantity, at_ms)
        if whole is not None:
            self.made_ms[quantity], self.fresh[quantity] = at_ms, []
        return whole

    def _whole(self, quantity: Quantity, at_ms: int) -> float | None:
        """What the packs together come to; None while one of them is not known.

        Of a pack that is lost the charge is taken to stand, and the power to be none. The temperature is that of the
        pack that is furthest from mild, the voltage that of the first pack.
        """
        values: list[float] = []
        for pack in self.packs.values():
            value = pack.value(quantity)
            if quantity is Quantity.PACK_TEMPERATURE and value is None:
                continue
            if value is None or (pack.silent(quantity, at_ms) and not pack.lost(at_ms)):
                return None
            values.append(0.0 if quantity in PACK_POWERS and pack.lost(at_ms) else value)
        if quantity in PACK_POWERS:
            return sum(values)
        if quantity is Quantity.PACK_CHARGE:
            sizes = [pack.nominal_wh for pack in self.packs.values()]
            return round(sum(v * w for v, w in zip(values, sizes, strict=True)) / sum(sizes), 3)
        if quantity is Quantity.PACK_TEMPERATURE:
            return max(values, key=lambda value: abs(value - MILD_C))
        return values[0]

    # -- who carries nothing

    def _transfer(self, *, on_pack: bool) -> None:
        """A change of supply: falls of the charge and idle outputs are counted from here."""
        self.on_pack = on_pack
        for pack in self.packs.values():
            pack.from_percent, pack.asleep, pack.empty_ms = pack.value(Quantity.PACK_CHARGE), 0, None

    def resting_ms(self, at_ms: int, *, loads: bool) -> float:
        """For how long, as a share of all that is drawn beside the pumps, empty packs have drawn nothing [ms].

        loads : bool — whether that includes the other loads, about half of it; else it is the inverters' own draw
        """
        rested = 0.0
        for pack in self.packs.values():
            if pack.empty_ms is not None:
                share = 0.5 * (pack.loads_share + pack.idle_share) if loads else pack.idle_share
                rested += share * max(at_ms - pack.empty_ms, 0)
        return rested

    def _fell(self, name: str, pack: BankPack, percent: float) -> None:
        """Compare how far the charges fell, and begin anew. One that moves by itself shows that its pack is on."""
        seen_giving = self.on_pack and Quantity.PACK_OUTPUT_POWER in pack.rhythms
        if pack.off_percent is not None and not seen_giving and abs(percent - pack.off_percent) >= MOVED_PERCENT:
            pack.off_percent = None
        if not self.on_pack:
            return
        if pack.from_percent is None:
            pack.from_percent = percent
        if pack.from_percent - percent < FELL_PERCENT:
            return
        for other in self._expected_beside(name):
            now = other.value(Quantity.PACK_CHARGE)
            if now is not None and other.from_percent is not None and other.from_percent - now < STOOD_PERCENT:
                other.off_percent = now
        for one in self.packs.values():
            one.from_percent = one.value(Quantity.PACK_CHARGE)

    def _gave(self, at_ms: int, name: str, pack: BankPack, watts: float) -> None:
        """Compare the outputs: a pack that gives nothing, time and again, while another one gives much, or while a load
        of its own never rests, is off.
        """
        pump_from_w, gap_ms = 2.0 * pack.steady_w + CARRYING_W, pack.rhythms[Quantity.PACK_OUTPUT_POWER].gap_ms
        pack.rests.feed(at_ms, watts, pump_from_w, gap_ms)
        if watts > ASLEEP_W:
            pack.asleep = 0
            if self.on_pack:
                pack.off_percent = None
        elif self.on_pack and pack.should_give(at_ms):
            pack.gave_nothing(at_ms)
        if not self.on_pack or watts < CARRYING_W:
            return
        for other in self._expected_beside(name):
            given = other.value(Quantity.PACK_OUTPUT_POWER)
            if given is not None and given <= ASLEEP_W and not other.silent(Quantity.PACK_OUTPUT_POWER, at_ms):
                other.gave_nothing(at_ms)

    def _expected_beside(self, name: str) -> list[BankPack]:
        """The packs with charge left that should carry while the named one does: those beside it, or before it.

        What a pack gives to its own pump tells nothing of another one's.
        """
        if self.arrangement is Arrangement.ONE_A_PUMP:
            return []
        names = list(self.packs)
        others = names[: names.index(name)] if self.arrangement is Arrangement.IN_TURN else names
        found = [self.packs[other] for other in others if other != name]
        return [other for other in found if (other.value(Quantity.PACK_CHARGE) or 0.0) > EMPTY_PERCENT]

    # -- what is left

    def missing(self, now_ms: int, hung: Hung = ALL_PACKS) -> Missing:
        """What is in packs that cannot be counted on, as charge of all packs together."""
        out = [
            (pack.nominal_wh, pack.value(Quantity.PACK_CHARGE) or 0.0, pack.reserve_percent)
            for name, pack in self.packs.items()
            if pack.off_percent is not None or pack.lost(now_ms) or name in hung.stranded
        ]
        whole = sum(pack.nominal_wh for pack in self.packs.values())
        return Missing(
            above_percent=sum(wh * max(percent - reserve, 0.0) for wh, percent, reserve in out) / whole,
            all_percent=sum(wh * percent for wh, percent, _ in out) / whole,
        )

    def not_counted(self, now_ms: int, hung: Hung = ALL_PACKS) -> list[tuple[str, PackRole]]:
        """The packs that cannot be counted on, and why."""
        roles = [(name, self._role(name, pack, now_ms, hung, carried=False)) for name, pack in self.packs.items()]
        return [(name, role) for name, role in roles if role in NOT_COUNTED]

    @property
    def first_is_empty(self) -> bool:
        """Whether the pack of the first of two pumps is empty, and feeds nothing else."""
        return self.arrangement is Arrangement.ONE_A_PUMP and next(iter(self.packs.values())).empty_ms is not None

    def first_share(self) -> float:
        """The share of the energy left in all packs that is in the first one, 0..1."""
        left = [pack.nominal_wh * (pack.value(Quantity.PACK_CHARGE) or 0.0) for pack in self.packs.values()]
        return left[0] / sum(left) if sum(left) > 0.0 else 0.0

    def now(self, now_ms: int, capacity_wh: float, hung: Hung = ALL_PACKS) -> tuple[PackNow, ...]:
        """Each pack at a time. capacity_wh : what all packs together are believed to hold [Wh]"""
        whole = sum(pack.nominal_wh for pack in self.packs.values())
        found: list[PackNow] = []
        for name, pack in self.packs.items():
            carried = any(one.role is PackRole.CARRYING for one in found)
            role = self._role(name, pack, now_ms, hung, carried=carried)
            percent = pack.value(Quantity.PACK_CHARGE)
            above = 0.0 if percent is None else max(percent - pack.reserve_percent, 0.0)
            usable = 0.0 if role in NOT_COUNTED else capacity_wh * pack.nominal_wh / whole * above / 100.0
            found.append(PackNow(name, role, percent, None if percent is None else usable, hung.pumps.get(name)))
        return tuple(found)

    def _role(self, name: str, pack: BankPack, now_ms: int, hung: Hung, *, carried: bool) -> PackRole:
        percent = pack.value(Quantity.PACK_CHARGE)
        if percent is None or pack.lost(now_ms):
            return PackRole.SILENT
        if pack.off_percent is not None:
            return PackRole.OFF
        lifts = self.on_pack and name in hung.lifts
        if percent <= (0.0 if lifts else EMPTY_PERCENT):
            return PackRole.EMPTY
        if name in hung.stranded:
            return PackRole.STRANDED
        if not self.on_pack:
            return PackRole.READY
        if self.arrangement is Arrangement.ONE_A_PUMP:
            return PackRole.CARRYING if lifts else PackRole.WAITING
        return PackRole.WAITING if carried and self.arrangement is Arrangement.IN_TURN else PackRole.CARRYING


def of_the_house(bank: PackBank | None, items: Iterable[Held], on_pack: Callable[[], bool]) -> Iterator[Held]:
    """Readings of the house as a whole: of a single pack as they are, of several together.

    What is stored of packs that are no longer in the site file is left out. on_pack : who carries now.
    """
    if bank is not None:
        return bank.pooled(items, on_pack)
    return (item for item in items if not item[2] or ORDER[item[1]] not in PACK_QUANTITIES)
