"""What the owner of a webhook chooses: every transition, own headers and an own body; and a webhook that moved."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from api.deliver.failing import faults_of
from api.deliver.outcome import Later, Never
from api.deliver.outward import OutwardAnswer
from api.deliver.webhook import WebhookCarrier, outcome_of
from api.deliver.webhook_headers import headers_of
from api.deliver.words import webhook_document
from collector.config.site_file import site_from, site_toml
from collector.config.webhook_template import NAMES, checked, rendered
from forecaster.alarms.plan import AlarmMessage, deliveries
from forecaster.domain.alarms import AlarmState, Priority, TransitionKind
from forecaster.domain.errors import ConfigError
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Contact, Site
from tests.api.delivering import Receiver, SteppedClock, courier, ledger_in, listening, queue, told, with_webhook
from tests.forecaster.evidence import LARKSPUR, MINUTE, START_MS


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    made = ledger_in(tmp_path)
    yield made
    made.close()


def choosing(url: str, **choices: Any) -> Site:
    """Larkspur Lane with one webhook and its owner's choices."""
    site = with_webhook(url)
    return replace(site, contacts=(replace(site.contacts[0], **choices),))


def story() -> list[tuple[TransitionKind, bool]]:
    """A life of an alarm, and which of it people are told."""
    return [
        (TransitionKind.RAISED, True),
        (TransitionKind.ACKNOWLEDGED, False),
        (TransitionKind.SHELVED, False),
        (TransitionKind.CLEARED, True),
    ]


def heard_of(site: Site, ledger: Ledger, receiver: Receiver) -> list[str]:
    """The transitions that a receiver hears of a whole life that waited in the outbox."""
    clock = SteppedClock()
    life = [
        replace(told(what=kind, revision=place, at_ms=START_MS + place * MINUTE), tell=tell)
        for place, (kind, tell) in enumerate(story())
    ]
    queue(ledger, site, life, clock.now_ms(), "webhook")
    carrier = WebhookCarrier({site.id: site}, clock)
    sender = courier(carrier, ledger, clock)
    for _ in story():
        sender.turn()
    carrier.close()
    return [json.loads(item.body)["transition"] for item in receiver.heard]


def test_a_program_hears_every_transition_and_a_person_the_newest(ledger: Ledger) -> None:
    with listening(Receiver()) as receiver:
        all_of_it = choosing(receiver.url, webhook_transitions="all")
        assert sorted(heard_of(all_of_it, ledger, receiver)) == ["acknowledged", "cleared", "raised", "shelved"]
    assert len(set(receiver.keys())) == 4


def test_what_nobody_was_told_counts_as_nobodys() -> None:
    """A webhook that takes an acknowledgement has told its contact nothing: who was told stays true."""
    site = choosing("http://127.0.0.1:1/hook", webhook_transitions="all")
    acknowledged = replace(told(what=TransitionKind.ACKNOWLEDGED, revision=1), tell=False)
    owed = {
        item.alarm_id and kind: item.who
        for kind, transition in (("told", told()), ("acknowledged", acknowledged))
        for item in deliveries(transition, site, START_MS)
        if item.channel == "webhook"
    }
    assert owed == {"told": "owner", "acknowledged": ""}


def test_the_least_priority_holds_for_programs_too() -> None:
    site = choosing("http://127.0.0.1:1/hook", webhook_transitions="all", minimum_priority=Priority.CRITICAL)
    low = told(priority=Priority.LOW)
    assert [item for item in deliveries(low, site, START_MS) if item.channel == "webhook"] == []


def test_no_name_and_number_of_a_person_leaves_by_webhook(ledger: Ledger) -> None:
    with listening(Receiver()) as receiver:
        site = with_webhook(receiver.url)
        near = Contact("Ada Example", email="ada@example.org", phone="+1 555 0100", hours_to_reach=0.5)
        site = replace(site, contacts=(*site.contacts, near))
        seen = told(what=TransitionKind.UPDATED, state=AlarmState.ACKNOWLEDGED)
        seen = replace(seen, alarm=replace(seen.alarm, acknowledged_by="Ada Example", shelved_by="Ada Example"))
        clock = SteppedClock()
        queue(ledger, site, [seen], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    [heard] = receiver.heard
    assert b"Ada" not in heard.body
    assert b"555" not in heard.body
    assert json.loads(heard.body)["afar"]


def test_headers_of_the_owners_own(ledger: Ledger, tmp_path: Path) -> None:
    (tmp_path / "hook-headers").write_text("# the key of the service\nAuthorization: Bearer a-key\n\nX-Tenant: 7\n")
    with listening(Receiver()) as receiver:
        site = choosing(receiver.url, webhook_headers_file="hook-headers")
        clock = SteppedClock()
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock, folder=tmp_path)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    [heard] = receiver.heard
    assert (heard.headers["authorization"], heard.headers["x-tenant"]) == ("Bearer a-key", "7")
    assert heard.headers["outlast-signature"].startswith("sha256=")


def test_a_file_of_headers_that_is_gone_is_tried_again_and_said(ledger: Ledger, tmp_path: Path) -> None:
    site = choosing("http://127.0.0.1:1/hook", webhook_headers_file="hook-headers")
    clock = SteppedClock()
    owed = queue(ledger, site, [told()], clock.now_ms(), "webhook")
    carrier = WebhookCarrier({site.id: site}, clock, folder=tmp_path)
    courier(carrier, ledger, clock).turn()
    [fault] = faults_of(ledger, "webhook").values()
    assert "the headers cannot be read" in fault.error
    assert [item.key for item in ledger.due("webhook", clock.now_ms() + 10 * MINUTE)] == [owed[0].key]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("no header", "line 1 is no header; write Name: value"),
        ("Na me: x", "line 1 is no header; write Name: value"),
        ("Host: elsewhere", "line 1: Host is set by Outlast itself; leave it out"),
        ("Outlast-Signature: x", "line 1: Outlast-Signature is set by Outlast itself; leave it out"),
        ("X: a\x07b", "line 1 is no header; write Name: value"),
    ],
)
def test_a_line_that_is_no_header_is_named(tmp_path: Path, line: str, says: str) -> None:
    file = tmp_path / "hook-headers"
    file.write_text(line)
    with pytest.raises(ConfigError) as error:
        headers_of(file)
    assert str(error.value).endswith(says)


CHAT = '{"text": {{ (site_name ~ ": " ~ headline) | tojson }}, "urgent": {{ (priority == "critical") | tojson }}}'


def test_a_body_of_the_owners_own(ledger: Ledger) -> None:
    with listening(Receiver()) as receiver:
        site = choosing(receiver.url, webhook_template=CHAT)
        clock = SteppedClock()
        queue(ledger, site, [told()], clock.now_ms(), "webhook")
        carrier = WebhookCarrier({site.id: site}, clock)
        courier(carrier, ledger, clock).turn()
        carrier.close()
    [heard] = receiver.heard
    body = json.loads(heard.body)
    assert body == {"text": f"{LARKSPUR.name}: {told().alarm.headline}", "urgent": True}
    assert heard.headers["content-type"] == "application/json"


def test_a_template_may_name_every_field_but_those_of_people() -> None:
    alarm = told().alarm
    message = AlarmMessage("k", alarm.site, "x", "UTC", LARKSPUR.units, TransitionKind.RAISED, START_MS, alarm)
    named = webhook_document(message, "k").keys()
    assert named - NAMES == {"acknowledged_by", "shelved_by"}
    assert named >= NAMES


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{{ headline", "the template cannot be read in its line 1"),
        ("{{ acknowledged_by }}", "the template names 'acknowledged_by'; it may name"),
        ("{{ ''.__class__ }}", None),
    ],
)
def test_a_template_is_checked_when_the_file_is_read(text: str, says: str | None) -> None:
    """What can be seen is refused at once; what reaches for the inside of Python is stopped by the sandbox (Jinja)."""
    if says is None:
        with pytest.raises(ValueError, match="unsafe"):
            rendered(checked(text), {})
        return
    content = tomllib.loads(site_toml(choosing("http://127.0.0.1:1/hook")))
    content["contacts"][0]["webhook_template"] = text
    with pytest.raises(ConfigError, match="webhook_template") as error:
        site_from(content, "larkspur.toml")
    assert says in str(error.value)


GREEDY = {
    "a power": "{{ 9 ** (10 ** 9) }}",
    "a filter": "{{ 'a' | center(10 ** 9) }}",
    "a doubling": "{% set a = headline %}" + "{% set a = a ~ a %}" * 60 + "{{ a }}",
    "loops within loops": "{% for a in 'a' * 9999 %}{% for b in 'b' * 9999 %}{{ headline }}{% endfor %}{% endfor %}",
    "a macro of itself": "{% macro m() %}{{ m() }}{% endmacro %}{{ m() }}",
    "a long text": "{{ 'a' * 70000 }}",
}


QUICKLY_TOLD = {"a power", "a long text"}
"""One that would take time and one that would take room: the others are told in the same two ways."""


@pytest.mark.parametrize(
    "kind", [kind if kind in QUICKLY_TOLD else pytest.param(kind, marks=pytest.mark.slow) for kind in GREEDY]
)
def test_a_template_that_takes_too_much_ends_apart(kind: str) -> None:
    """In: templates that would take all the memory or never end. Out: read at once, refused in one line by a child."""
    text = checked(GREEDY[kind])
    with pytest.raises(ValueError, match=r"the template (cannot be filled in|takes more than)") as error:
        rendered(text, {"headline": "pump"})
    assert "\n" not in str(error.value)


def test_a_template_nested_without_end_is_refused_where_it_is_read() -> None:
    with pytest.raises(ValueError, match="nested too deeply"):
        checked("{{" + "(" * 3000 + "1" + ")" * 3000 + "}}")


@pytest.mark.parametrize(("code", "kind"), [(301, Never), (308, Never), (302, Later), (307, Later)])
def test_a_redirect_says_where_it_leads(code: int, kind: type[Later] | type[Never]) -> None:
    """For good: given up with the mend. For now, as by a network that asks for a login first: tried again. RFC 9110
    section 15.4."""
    outcome = outcome_of(OutwardAnswer(code, {"location": "https://hooks.example.net/new?key=secret"}), START_MS)
    assert isinstance(outcome, kind)
    assert f"answered {code}, it leads to hooks.example.net" in outcome.error
    assert "secret" not in outcome.error
