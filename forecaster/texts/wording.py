"""Times, ranges and quantities as people read them: in the site's time zone and units, rounded to what is known.

Every word comes from the catalogue, so that a translation is one file. There is no clock here: the present time is an
argument. Missing values are worded as "not known", never as zero.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from forecaster.domain.forecast import HORIZON_H, Quantiles
from forecaster.domain.site import Site, Units
from forecaster.domain.times import HOUR_MS, MINUTE_MS
from forecaster.texts.catalogue import SOURCE, Words, of_twelve, words
from forecaster.texts.usunits import WATER_M, worded


def zone_name(at: datetime) -> str:
    """`CST`; `UTC+5:30` where the zone has no letters (IANA tzdata: such names are offsets)."""
    name = at.tzname() or "UTC"
    if name[0] not in "+-":
        return name
    hours = name[1:3].lstrip("0") or "0"
    return f"UTC{name[0]}{hours}" + (f":{name[3:5]}" if len(name) > 3 else "")


def named(headline: str, site_name: str, said_in: Words) -> str:
    """A headline that opens with its site's name."""
    return said_in("alarm.named", site=site_name, headline=headline)


def unnamed(headline: str, site_name: str, said_in: Words) -> str:
    """A headline for use beside its site's name."""
    return headline.removeprefix(named("", site_name, said_in))


class Wording:
    """Words one site's times and quantities.

    timezone : str — IANA name
    units : Units — metric or US for what is shown
    said_in : Words | None — a language, English unless told
    zoned : bool — every clock time carries its zone, for messages that are read elsewhere
    """

    def __init__(
        self, timezone: str, units: Units = Units.METRIC, said_in: Words | None = None, *, zoned: bool = False
    ) -> None:
        self.zoned = zoned
        self.zone = ZoneInfo(timezone)
        self.units = units
        self.words = words() if said_in is None else said_in

    @classmethod
    def of(cls, site: Site, said_in: Words | None = None, *, zoned: bool = False) -> Wording:
        """The wording of a site, in its own language unless told another, and in the units that its reader wants."""
        chosen = words(site.language or SOURCE) if said_in is None else said_in
        return cls(site.timezone, chosen.units or site.units, chosen, zoned=zoned)

    def in_language(self, code: str) -> Wording:
        """The same zone and units in another language."""
        return Wording(self.zone.key, self.units, words(code), zoned=self.zoned)

    # -- moments
    def local(self, at_ms: int) -> datetime:
        """A moment (UTC milliseconds) in the site's zone."""
        return datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(self.zone)

    def clock(self, at_ms: int, now_ms: int) -> str:
        """A moment as `13:40` today, `Thu 13:40` within six days, else with its date.

        In messages, and in the hour that comes twice when clocks go back, with its zone: `01:30 CDT`.
        """
        return self._moment("clock", at_ms, now_ms)

    def within(self, at_ms: int, now_ms: int) -> str:
        """The same moment as it stands within a sentence: with its article, where the language has one."""
        return self._moment("when", at_ms, now_ms)

    def about(self, at_ms: int, now_ms: int) -> str:
        """A forecast moment within a sentence, rounded to what can be meant."""
        return self.within(self.meant(at_ms, now_ms), now_ms)

    def full(self, at_ms: int) -> str:
        """A moment with weekday, day, year and zone, whenever it is read: `Tue 3 Mar 2026, 02:12 CST`."""
        at = self.local(at_ms)
        return self.words(
            "wording.full",
            weekday=self.words("wording.weekdays").split()[at.weekday()],
            day=at.day,
            month=self.words("wording.months").split()[at.month - 1],
            year=at.year,
            clock=self.words("wording.clock.zone", clock=self._clock(at), zone=zone_name(at)),
        )

    def _clock(self, at: datetime) -> str:
        return self.words.clock(at.hour, at.minute)

    def _moment(self, form: str, at_ms: int, now_ms: int) -> str:
        at, now = self.local(at_ms), self.local(now_ms)
        clock = self._clock(at)
        if self.zoned or at.replace(fold=0).utcoffset() != at.replace(fold=1).utcoffset():
            clock = self.words("wording.clock.zone", clock=clock, zone=zone_name(at))
        days, hour = (at.date() - now.date()).days, of_twelve(at.hour) if self.words.half_days else at.hour
        if days == 0:
            return clock if form == "clock" else self.words("wording.when", n=hour, clock=clock)
        weekday = self.words("wording.weekdays").split()[at.weekday()]
        if abs(days) <= 6:
            return self.words(f"wording.{form}.weekday", n=hour, weekday=weekday, clock=clock)
        month = self.words("wording.months").split()[at.month - 1]
        dated = "date" if at.year == now.year or abs(days) <= 180 else "year"
        return self.words(f"wording.{form}.{dated}", n=hour, day=at.day, month=month, clock=clock, year=at.year)

    def meant(self, at_ms: int, now_ms: int) -> int:
        """A forecast moment, rounded to what can be meant: 5 minutes within 12 h, 15 within 2 days, else the hour."""
        ahead_h = abs(at_ms - now_ms) / HOUR_MS
        step_ms = (5 if ahead_h <= 12 else 15 if ahead_h <= 48 else 60) * MINUTE_MS
        return self._rounded(at_ms, step_ms)

    def dated(self, local: datetime, form: str) -> str:
        """A moment of the site's zone in a form of the catalogue's [clock], as the marks of a picture say it."""
        half_days = self.words.half_days and form in ("hour", "hour_zone")
        return self.words(
            f"clock.half_{form}" if half_days else f"clock.{form}",
            hour=of_twelve(local.hour) if half_days else local.hour,
            half=self.words.half(local.hour),
            minute=local.minute,
            weekday=self.words("wording.weekdays").split()[local.weekday()],
            day=local.day,
            month=self.words("wording.months").split()[local.month - 1],
            zone=local.tzname() or "",
        )

    def _rounded(self, at_ms: int, step_ms: int) -> int:
        """Nearest whole step of the local clock (zones may be off by 15 or 30 minutes)."""
        offset = self.local(at_ms).utcoffset()
        shift_ms = int(offset.total_seconds() * 1000) if offset is not None else 0
        return (at_ms + shift_ms + step_ms // 2) // step_ms * step_ms - shift_ms

    def until(self, quantiles: Quantiles, issued_ms: int, now_ms: int | None = None) -> str:
        """`until about 13:40, between 12:05 and 16:30`, from the 10, 50 and 90 % points [h after issued_ms].

        A point beyond the horizon leaves the range open; nothing known is said so.
        """
        return self._end("until", quantiles, issued_ms, issued_ms if now_ms is None else now_ms)

    def at(self, quantiles: Quantiles, issued_ms: int, now_ms: int | None = None) -> str:
        """`about 13:40, between 12:05 and 16:30`: the same end as a moment."""
        return self._end("at", quantiles, issued_ms, issued_ms if now_ms is None else now_ms)

    def _end(self, form: str, quantiles: Quantiles, issued_ms: int, now: int) -> str:
        early, middle, late = (
            None if hours is None else issued_ms + round(hours * HOUR_MS)
            for hours in (quantiles.p10, quantiles.p50, quantiles.p90)
        )
        if middle is None:
            if early is not None:
                return self.words(f"wording.{form}.early", early=self.about(early, now))
            return self.words(f"wording.{form}.unknown")
        if (late if late is not None else middle) - now < 5 * MINUTE_MS:
            return self.words(f"wording.{form}.now")
        said = self.about(middle, now)
        first = None if early is None else self.about(max(early, now), now)
        if first is None:
            return self.words(f"wording.{form}.point", middle=said)
        if late is None:
            return self.words(f"wording.{form}.open", middle=said, early=first)
        last = self.about(late, now)
        if first == last:
            return self.words(f"wording.{form}.point", middle=said)
        return self.words(f"wording.{form}", middle=said, early=first, late=last)

    def beyond(self, horizon_h: float = HORIZON_H) -> str:
        """`for more than 14 days`: for a forecast that never reaches the floor within its horizon."""
        return self.words("wording.until.beyond", span=self.duration(horizon_h * 3600.0))

    # -- spans
    def duration(self, seconds: float | None) -> str:
        """`40 s`, `25 min`, `4 h 20 min`, `31 h`, `9 days`."""
        if seconds is None:
            return self.words("wording.unknown")
        seconds = max(0.0, seconds)
        if seconds < 99.5:
            return self.words("wording.seconds", n=round(seconds))
        minutes = round(seconds / 60.0)
        if minutes < 100:
            return self.words("wording.minutes", n=minutes)
        if minutes < 12 * 60:
            hours, rest = divmod(5 * round(minutes / 5), 60)
            if rest:
                return self.words("wording.hours.minutes", hours=hours, minutes=rest)
            return self.words("wording.hours", n=hours)
        hours = round(minutes / 60.0)
        if hours <= 72:
            return self.words("wording.hours", n=hours)
        return self.words("wording.days", n=round(hours / 24.0))

    def hours(self, hours: float | None) -> str:
        """A span given in hours."""
        return self.duration(None if hours is None else hours * 3600.0)

    def hours_range(self, low_h: float | None, high_h: float | None) -> str:
        """`9.5 h to 15 h`; a missing high end is open; a missing low end is not known."""
        if low_h is None:
            return self.words("wording.unknown")
        if high_h is None:
            return self.words("wording.range.open", low=self.hours(low_h))
        low, high = self.hours(low_h), self.hours(high_h)
        return low if low == high else self.words("wording.range", low=low, high=high)

    def ago(self, seconds: float | None) -> str:
        """`4 min ago`, `just now`, or `never` for None."""
        if seconds is None:
            return self.words("wording.ago.never")
        if seconds < 2.0:
            return self.words("wording.ago.now")
        return self.words("wording.ago", span=self.duration(seconds))

    # -- quantities
    def percent(self, value: float | None) -> str:
        """A share given in percent, whole."""
        return self._said("percent", value, 0)

    def watts(self, value: float | None) -> str:
        """A power given in W."""
        if value is not None and abs(value) >= 10_000.0:
            return self._said("kilowatts", value / 1000.0, 1)
        return self._said("watts", value, 0 if value is None or abs(value) >= 10.0 else 1)

    def energy(self, value: float | None) -> str:
        """An energy given in Wh."""
        if value is not None and abs(value) >= 10_000.0:
            return self._said("kilowatt_hours", value / 1000.0, 1)
        return self._said("watt_hours", value, 0 if value is None or abs(value) >= 10.0 else 1)

    def temperature(self, value: float | None) -> str:
        """A temperature given in °C."""
        return self._turned(value, "°C")

    def length(self, value: float | None) -> str:
        """A height of water given in m."""
        return self._turned(value, WATER_M)

    def flow(self, value: float | None) -> str:
        """A flow given in L/min."""
        return self._turned(value, "L/min")

    def volume(self, value: float | None) -> str:
        """A volume given in L."""
        return self._turned(value, "L")

    def rain(self, value: float | None) -> str:
        """A depth of rain given in mm."""
        return self._turned(value, "mm")

    def rain_rate(self, value: float | None) -> str:
        """A rate of rain given in mm/h."""
        return self._turned(value, "mm/h")

    def _turned(self, value: float | None, unit: str) -> str:
        """A measured value in the units of the reader. unit : one of `forecaster.texts.usunits`"""
        to = worded(unit, self.units)
        return self._said(to.key, None if value is None else value * to.factor + to.offset, to.decimals)

    def amperes(self, value: float | None) -> str:
        """A current given in A."""
        return self._said("amperes", value, 1)

    def volts(self, value: float | None) -> str:
        """A voltage given in V."""
        return self._said("volts", value, 1)

    def stored(self, value: float, unit: str) -> str:
        """A value in a unit that quantities are stored in (`forecaster.domain.quantities`). KeyError for any other."""
        return _STORED[unit](self, value)

    def _said(self, key: str, value: float | None, decimals: int) -> str:
        if value is None:
            return self.words("wording.unknown")
        return self.words(f"wording.{key}", n=self.words.number(value, decimals))

    def listed(self, items: list[str]) -> str:
        """`a`, `a and b`, `a, b and c`."""
        if not items:
            return self.words("wording.none")
        if len(items) == 1:
            return items[0]
        return self.words("wording.and", first=", ".join(items[:-1]), last=items[-1])


_STORED: dict[str, Callable[[Wording, float | None], str]] = {
    "%": Wording.percent,
    "A": Wording.amperes,
    "V": Wording.volts,
    "W": Wording.watts,
    "Wh": Wording.energy,
    "degC": Wording.temperature,
    "m": Wording.length,
    "mm": Wording.rain,
    "mm/hour": Wording.rain_rate,
}
"""How a value is said, by the unit that it is stored in."""
