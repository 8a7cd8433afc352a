"""What an alarm said is read in another clock and other units as it would have been told in them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from babel.dates import format_time
from hypothesis import given
from hypothesis import strategies as st

from forecaster.alarms.present import read_by
from forecaster.alarms.telling import Teller, Voice
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority
from forecaster.domain.site import Units
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import languages, words
from forecaster.texts.rereading import reread
from forecaster.texts.wording import Wording
from tests.forecaster.alarms.test_alarm_texts import ALL, seen
from tests.forecaster.evidence import LARKSPUR, START_MS

READERS = [(Units.METRIC, True), (Units.US, False), (Units.US, True), (None, True)]


@pytest.mark.parametrize(("kind", "variant"), ALL)
@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize(("units", "half_days"), READERS)
def test_every_alarm_reads_as_it_would_have_been_told(
    kind: AlarmKind, variant: str, code: str, units: Units | None, half_days: bool
) -> None:
    """The second way there is the words made for that reader at the moment it was raised."""
    site = replace(LARKSPUR, language="en", units=Units.METRIC)
    evidence = seen()
    told = Teller(site).tell(kind, variant, evidence, START_MS)
    alarm = Alarm(
        id="one", site=site.id, kind=kind, priority=Priority.HIGH, state=AlarmState.UNACKNOWLEDGED, episode=START_MS,
        raised_ms=START_MS, changed_ms=START_MS, headline=told.headline, action=told.action,
        consequence=told.consequence, translations=told.translations,
    )  # fmt: skip
    reader = words(code).read_in(units, half_days=half_days)
    read = read_by(alarm, site.name, reader)
    theirs = Voice(site, Wording.of(site, reader, zoned=True)).tell(kind, variant, evidence, START_MS)
    assert (read.headline, read.action, read.consequence) == (theirs.headline, theirs.action, theirs.consequence)


@given(st.integers(0, 8 * 86_400), st.sampled_from(languages()), st.booleans())
def test_a_moment_in_a_sentence_reads_as_babel_writes_it(ahead_s: int, code: str, zoned: bool) -> None:
    """Unicode CLDR's time of day with its half of the day, by babel, stands in what is read."""
    at_ms = START_MS + ahead_s * 1000
    wording = Wording("UTC", Units.METRIC, words(code), zoned=zoned)
    reader = words(code).read_in(None, half_days=True)
    read = reread(wording.within(at_ms, START_MS), reader)
    clock = format_time(datetime.fromtimestamp(at_ms / 1000, UTC), "h:mm a", locale=code)
    assert clock.replace("\u202f", " ").replace("\xa0", " ").lower() in read
    assert read == Wording("UTC", Units.METRIC, reader, zoned=zoned).within(at_ms, START_MS)


@given(st.integers(-40, 90), st.sampled_from(languages()))
def test_a_temperature_reads_by_the_definition_of_its_scales(degrees_c: int, code: str) -> None:
    """NIST SP 811 appendix B.8: t/°F = 1.8 t/°C + 32, and back."""
    said = Wording("UTC", Units.METRIC, words(code)).temperature(degrees_c)
    read = reread(f"A {said}, B.", words(code).read_in(Units.US, half_days=False))
    assert read == f"A {round(1.8 * degrees_c + 32.0)} °F, B."
    assert reread(read, words(code).read_in(Units.METRIC, half_days=False)) == f"A {said}, B."


@pytest.mark.parametrize("text", ["UTC+05:45", "2026-03-03 12:34:56", "ratio 1:30", "24:00", "20 ft (6 m)", "5 °C-ish"])
def test_what_is_no_time_of_day_stays(text: str) -> None:
    assert reread(text, words().read_in(None, half_days=True)) == text


def test_a_name_that_looks_like_a_time_stays() -> None:
    site = replace(LARKSPUR, name="House 12:30")
    told = Teller(site).tell(AlarmKind.MAINS_LOST, "", seen(), START_MS)
    alarm = Alarm(
        id="one", site=site.id, kind=AlarmKind.MAINS_LOST, priority=Priority.HIGH, state=AlarmState.UNACKNOWLEDGED,
        episode=START_MS, raised_ms=START_MS, changed_ms=START_MS, headline=told.headline, action=told.action,
        consequence=told.consequence,
    )  # fmt: skip
    read = read_by(alarm, site.name, words().read_in(None, half_days=True))
    assert read.headline.startswith("House 12:30: ")
    assert " pm" in read.headline


def test_no_full_stop_stands_twice_behind_the_half_of_a_day() -> None:
    reader = words("es").read_in(None, half_days=True)
    assert reread("Hasta las 13:05.", reader) == "Hasta la 1:05 p. m."
    assert Wording("UTC", Units.METRIC, reader).about(START_MS + HOUR_MS, START_MS).endswith("m.")
    assert reader("alarm.by", time="1:05 p. m.").count("..") == 0
