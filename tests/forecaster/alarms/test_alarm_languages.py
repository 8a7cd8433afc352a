"""An alarm is said in every language at its moment, and each contact is told in theirs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import msgspec

from forecaster.alarms.plan import MAIL, AlarmMessage, Planner
from forecaster.alarms.telling import Teller
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmText, AlarmTransition, Priority, TransitionKind
from forecaster.domain.site import Contact
from forecaster.texts.catalogue import words
from tests.forecaster.alarms.test_alarm_texts import ALL, seen
from tests.forecaster.evidence import LARKSPUR, START_MS

ENGLISH = AlarmText("en", "Mains lost.", "Ask.", "It drains.")
SPANISH = AlarmText("es", "Se fue la luz.", "Pregunte.", "Se gasta.")


def alarm(**more: Any) -> Alarm:
    held = Alarm(
        "larkspur:mains-lost:1", "larkspur", AlarmKind.MAINS_LOST, Priority.HIGH, AlarmState.UNACKNOWLEDGED, 1, 1, 1,
        ENGLISH.headline, ENGLISH.action, ENGLISH.consequence, translations=(SPANISH,),
    )  # fmt: skip
    return replace(held, **more)


def test_every_alarm_is_said_in_spanish_and_no_english_is_left_in_it() -> None:
    for kind, variant in ALL:
        told = Teller(LARKSPUR).tell(kind, variant, seen(), START_MS)
        spanish = next(text for text in told.translations if text.language == "es")
        assert spanish.headline != told.headline
        assert spanish.action != told.action
        assert "{" not in spanish.headline + spanish.action
        said = f"{spanish.headline} {spanish.action}".replace("the disk is full", "")  # the machine's own words
        assert not any(english in said for english in (" the ", " pack ", "until ", " and ")), (kind, variant)


def test_a_spanish_site_speaks_spanish_first_and_english_beside() -> None:
    told = Teller(replace(LARKSPUR, language="es")).tell(AlarmKind.MAINS_LOST, "", seen(), START_MS)
    assert "Se fue la luz (desde las 10:02" in told.headline
    assert [text.language for text in told.translations] == ["en"]


def test_a_contact_is_told_in_their_language_and_the_rest_in_the_sites() -> None:
    contacts = (Contact("ana", email="ana@example.org", language="es"), Contact("bo", email="bo@example.org"))
    site = replace(LARKSPUR, contacts=contacts)
    owed = Planner(site, channels=frozenset({MAIL})).plan(AlarmTransition(alarm(), TransitionKind.RAISED, 1), 1)
    told = {message.contact: message for message in (AlarmMessage.decode(delivery.body) for delivery in owed)}
    assert (told["ana"].language, told["ana"].alarm.headline) == ("es", SPANISH.headline)
    assert (told["bo"].language, told["bo"].alarm.headline) == ("en", ENGLISH.headline)


def test_an_alarm_kept_by_an_older_build_has_no_translations_and_stands_as_it_was() -> None:
    body = msgspec.to_builtins(alarm())
    del body["translations"]
    older = msgspec.convert(body, Alarm)
    assert older.said_in("es").headline == ENGLISH.headline


def test_a_reminder_is_one_in_every_language() -> None:
    again = Teller(LARKSPUR).reminded(alarm())
    assert again.headline.endswith("Still: Mains lost.")
    assert again.translations[0].headline.endswith(words("es")("alarm.reminder", headline=SPANISH.headline))
