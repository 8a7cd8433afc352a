"""How times, ranges and units are said: zones, doubled hours, rounding, what is not known."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecaster.domain.forecast import Quantiles
from forecaster.domain.quantities import SPECS
from forecaster.domain.site import Units
from forecaster.domain.times import HOUR_MS
from forecaster.texts.wording import Wording

CHICAGO = Wording("America/Chicago", Units.US)
KOLKATA = Wording("Asia/Kolkata")


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def test_the_range_of_an_end_is_said_in_the_sites_zone() -> None:
    quantiles = Quantiles(p10=2.06, p50=3.64, p90=6.48)
    said = CHICAGO.until(quantiles, ms("2026-03-03T16:02:00"))
    assert said == "until about 13:40, between 12:05 and 16:30"


def test_other_days_carry_their_name_and_far_days_their_date() -> None:
    now = ms("2026-03-03T18:00:00")
    assert CHICAGO.clock(ms("2026-03-05T19:40:00"), now) == "Thu 13:40"
    assert CHICAGO.clock(ms("2026-03-16T18:40:00"), now) == "16 Mar 13:40"
    assert CHICAGO.clock(ms("2024-03-16T18:40:00"), now) == "16 Mar 2024 13:40"


def test_the_hour_that_comes_twice_names_its_zone() -> None:
    """Clocks in America/Chicago go back on 1 November 2026 at 02:00 (IANA time zone database)."""
    now = ms("2026-11-01T05:00:00")
    assert CHICAGO.clock(ms("2026-11-01T06:30:00"), now) == "01:30 CDT"
    assert CHICAGO.clock(ms("2026-11-01T07:30:00"), now) == "01:30 CST"
    assert CHICAGO.clock(ms("2026-11-01T08:30:00"), now) == "02:30"


def test_the_hour_that_never_comes_is_never_said() -> None:
    """On 8 March 2026 the hour from 02:00 is left out in America/Chicago (IANA time zone database)."""
    now = ms("2026-03-08T06:00:00")
    said = {CHICAGO.clock(now + minute * 60_000, now)[:2] for minute in range(0, 300, 5)}
    assert "02" not in said
    assert {"01", "03"} <= said


def test_rounding_follows_the_local_clock() -> None:
    now = ms("2026-03-03T00:00:00")  # 05:30 in Kolkata
    assert KOLKATA.about(now + int(3.02 * HOUR_MS), now) == "08:30"
    assert KOLKATA.about(now + int(60.4 * HOUR_MS), now) == "Thu 18:00"


def test_open_and_missing_ends() -> None:
    now = ms("2026-03-03T16:00:00")
    assert CHICAGO.until(Quantiles(p10=3.0, p50=8.0), now) == "until about 18:00, at least 13:00"
    assert CHICAGO.until(Quantiles(p10=3.0), now) == "at least until about 13:00"
    assert CHICAGO.until(Quantiles(), now) == "for a time not known"
    assert CHICAGO.until(Quantiles(p10=0.0, p50=0.01, p90=0.05), now) == "no longer than a few minutes"
    assert CHICAGO.beyond() == "for more than 14 days"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (None, "not known"),
        (0.0, "0 s"),
        (40.0, "40 s"),
        (1500.0, "25 min"),
        (15_600.0, "4 h 20 min"),
        (14_400.0, "4 h"),
        (112_000.0, "31 h"),
        (777_600.0, "9 days"),
    ],
)
def test_spans(seconds: float | None, said: str) -> None:
    assert CHICAGO.duration(seconds) == said


def test_units_follow_the_site() -> None:
    """One US gallon is 3.785411784 L and one inch 25.4 mm exactly (NIST Handbook 44, Appendix C)."""
    assert CHICAGO.temperature(0.0) == "32 °F"
    assert KOLKATA.temperature(-0.2) == "0 °C"
    assert CHICAGO.flow(3.785411784) == "1.0 gal/min"
    assert KOLKATA.flow(8.6) == "8.6 L/min"
    assert CHICAGO.length(0.3048) == "12.0 in"
    assert CHICAGO.rain(25.4) == "1.00 in"
    assert CHICAGO.volume(None) == "not known"
    assert CHICAGO.watts(0.0) == "0.0 W"
    assert CHICAGO.energy(12_400.0) == "12.4 kWh"


def test_ages_and_lists() -> None:
    assert CHICAGO.ago(None) == "never"
    assert CHICAGO.ago(0.4) == "just now"
    assert CHICAGO.ago(240.0) == "4 min ago"
    assert CHICAGO.listed([]) == "none"
    assert CHICAGO.listed(["mail", "push", "webhook"]) == "mail, push and webhook"


@given(st.integers(0, 4_102_444_800_000), st.floats(0.0, 336.0), st.floats(0.0, 60.0), st.floats(0.0, 60.0))
def test_every_end_can_be_said(now: int, early: float, more: float, most: float) -> None:
    said = CHICAGO.until(Quantiles(p10=early, p50=early + more, p90=early + more + most), now)
    assert said
    assert len(said) < 80


@given(st.floats(0.0, 3e6), st.floats(0.0, 3e6))
def test_longer_spans_are_never_said_shorter(one: float, other: float) -> None:
    def back(said: str) -> float:
        parts = said.split()
        scale = {"s": 1.0, "min": 60.0, "h": 3600.0, "days": 86_400.0}
        return sum(float(n) * scale[unit] for n, unit in zip(parts[::2], parts[1::2], strict=True))

    low, high = sorted((one, other))
    assert back(CHICAGO.duration(low)) <= back(CHICAGO.duration(high))


def test_every_stored_value_is_said_in_its_own_unit() -> None:
    """An inch is 25.4 mm (international yard and pound agreement of 1959); a rate is no depth."""
    said = {unit: KOLKATA.stored(25.4, unit) for unit in {spec.unit for spec in SPECS.values()} - {""}}
    assert said == {
        "%": "25%", "A": "25.4 A", "V": "25.4 V", "W": "25 W", "Wh": "25 Wh", "degC": "25 °C", "m": "25.40 m",
        "mm": "25.4 mm", "mm/hour": "25.4 mm/h",
    }  # fmt: skip
    assert [CHICAGO.stored(25.4, unit) for unit in ("mm", "mm/hour")] == ["1.00 in", "1.00 in/h"]
