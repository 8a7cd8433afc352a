"""The mail of an alarm: text and HTML alike in content, a chart, and a signed link to acknowledge."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from api.deliver.chart import bars, chart_html, chart_text
from api.deliver.marked import with_code
from api.deliver.words import title
from forecaster.alarms.plan import AlarmMessage
from forecaster.domain.alarms import Priority
from forecaster.domain.letters import Letter
from forecaster.texts.catalogue import Words, words
from forecaster.texts.wording import Wording, unnamed

TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
)
TEMPLATES.filters.update(code=with_code)


@dataclass(frozen=True, slots=True)
class MailLinks:
    """The links of a mail: the site's page, and the link to acknowledge or answer. None leaves one out.

    houses : tuple[tuple[str, str], ...] — name and page of each house that a letter is about
    """

    page: str | None
    acknowledge: str | None
    houses: tuple[tuple[str, str], ...] = ()

    def pages(self, say: Words) -> list[tuple[str, str]]:
        """The pages of a letter, each with what it is called: one house's is "the site now"."""
        if len(self.houses) > 1:
            return [(say("letter.page", site=name), url) for name, url in self.houses]
        return [] if self.page is None else [(say("mail.page"), self.page)]


def message_id(key: str, domain: str) -> str:
    """The Message-ID (RFC 5322 section 3.6.4): the same for all attempts at a delivery, so that repeats are dropped."""
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}@{domain}>"


def letter(
    message: AlarmMessage, key: str, sender: str, receiver: str, document: Mapping[str, Any], links: MailLinks
) -> EmailMessage:
    """The whole mail, ready to send."""
    alarm = message.alarm
    domain = sender.partition("@")[2]
    mail = EmailMessage()
    mail["Subject"] = " ".join(_subject(message).split())
    mail["From"] = f"Outlast <{sender}>"
    mail["To"] = receiver
    wording = Wording(message.timezone, message.units, words(message.language), zoned=True)
    mail["Date"] = format_datetime(wording.local(message.at_ms))
    mail["Message-ID"] = message_id(key, domain)
    thread = message_id(message.thread, domain)
    mail["In-Reply-To"] = thread
    mail["References"] = thread
    mail["Auto-Submitted"] = "auto-generated"
    mail["Outlast-Key"] = key
    if alarm.priority is Priority.CRITICAL:
        mail["Importance"] = "high"
    if message.letter is not None:
        text = _weekly_text(message.letter, wording.words, links)
        html = _weekly_html(message.letter, wording.words, links)
    else:
        shown = bars(document)
        text = _text(message, wording, chart_text(shown, wording, message.at_ms), links)
        html = _html(message, wording, chart_html(shown, wording, message.at_ms), links)
    mail.set_content(text)
    mail.add_alternative(html, subtype="html")
    mail["Content-Language"] = message.language  # of the whole: set before, it would go with the first part alone
    return mail


def _subject(message: AlarmMessage) -> str:
    if message.letter is not None:
        return message.letter.subject
    return f"{title(message)}: {unnamed(message.alarm.headline, message.site_name, words(message.language))}"


def _weekly_text(said: Letter, say: Words, links: MailLinks) -> str:
    sections = ("\n".join((part.heading, *(f"- {line}" for line in part.lines))) for part in said.sections)
    parts = [said.opening, *sections, said.closing]
    parts += [f"{called}:\n{url}" for called, url in links.pages(say)]
    parts.append(say("mail.caution"))
    return "\n\n".join(parts) + "\n"


def _weekly_html(said: Letter, say: Words, links: MailLinks) -> str:
    return TEMPLATES.get_template("weekly.html").render(letter=said, say=say, links=links)


def _deadline(message: AlarmMessage, wording: Wording) -> str:
    by_ms = message.alarm.by_ms
    return "" if by_ms is None else wording.about(by_ms, message.at_ms)


def _footer(message: AlarmMessage, words: Words) -> str:
    alarm = message.alarm
    return words(
        "mail.footer", site=message.site_name, priority=words(f"mail.priority.{alarm.priority.value}"), id=alarm.id
    )


def _text(message: AlarmMessage, wording: Wording, chart: str, links: MailLinks) -> str:
    alarm, say = message.alarm, wording.words
    parts = [alarm.headline, f"{say('mail.action')} {alarm.action}"]
    if message.afar:
        parts.append(message.afar)
    if alarm.consequence:
        parts.append(f"{say('mail.consequence')} {alarm.consequence}")
    deadline = _deadline(message, wording)
    if deadline:
        parts.append(f"{say('mail.by')} {deadline}")
    if chart:
        parts.append(chart)
    if links.acknowledge is not None:
        button = f"mail.{_button(message)}"
        parts.append(f"{say(button)}. {say(f'{button}.effect')}\n{links.acknowledge}")
    if links.page is not None:
        parts.append(f"{say('mail.page')}:\n{links.page}")
    parts.append(_footer(message, say))
    parts.append(say("mail.caution"))
    return "\n\n".join(parts) + "\n"


def _html(message: AlarmMessage, wording: Wording, chart: str, links: MailLinks) -> str:
    return TEMPLATES.get_template("mail.html").render(
        alarm=message.alarm,
        afar=message.afar,
        say=wording.words,
        deadline=_deadline(message, wording),
        chart=Markup(chart),
        links=links,
        button=_button(message),
        footer=_footer(message, wording.words),
    )


def _button(message: AlarmMessage) -> str:
    """The catalogue key of the label of the mail's button."""
    return "answer" if message.test else "acknowledge"
