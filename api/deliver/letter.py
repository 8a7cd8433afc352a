"""The mail of an alarm: text and HTML alike in content, a chart, and a signed link to acknowledge."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import format_datetime
from html import escape
from typing import Any

from api.deliver.chart import bars, chart_html, chart_text
from api.deliver.words import title
from forecaster.alarms.plan import Message
from forecaster.domain.alarms import Priority
from forecaster.wording import Wording

NOT_A_SAFETY_DEVICE = (
    "Outlast estimates; it can be wrong. It is no life-safety device and replaces no high-water alarm. "
    "In case of doubt keep out of the water, and call a licensed electrician or plumber."
)


@dataclass(frozen=True, slots=True)
class Links:
    """Where the mail points: the site's page, and the link to acknowledge; None leaves it out."""

    page: str | None
    acknowledge: str | None


def message_id(key: str, domain: str) -> str:
    """The same for every attempt at one delivery, so that a receiver can drop a repeat (RFC 5322 section 3.6.4)."""
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}@{domain}>"


def letter(
    message: Message, key: str, sender: str, receiver: str, document: Mapping[str, Any], links: Links
) -> EmailMessage:
    """The whole mail, ready to send."""
    alarm = message.alarm
    domain = sender.partition("@")[2]
    mail = EmailMessage()
    mail["Subject"] = " ".join(f"{title(message)}: {alarm.headline}".split())
    mail["From"] = f"Outlast <{sender}>"
    mail["To"] = receiver
    wording = Wording(message.timezone, message.units)
    mail["Date"] = format_datetime(wording.local(message.at_ms))
    mail["Message-ID"] = message_id(key, domain)
    thread = message_id(message.story, domain)
    mail["In-Reply-To"] = thread
    mail["References"] = thread
    mail["Auto-Submitted"] = "auto-generated"
    mail["Outlast-Key"] = key
    if alarm.priority is Priority.CRITICAL:
        mail["Importance"] = "high"
    shown = bars(document)
    mail.set_content(_text(message, wording, chart_text(shown, wording, message.at_ms), links))
    mail.add_alternative(_html(message, wording, chart_html(shown, wording, message.at_ms), links), subtype="html")
    return mail


def _deadline(message: Message, wording: Wording) -> str:
    by_ms = message.alarm.by_ms
    return "" if by_ms is None else wording.about(by_ms, message.at_ms)


def _text(message: Message, wording: Wording, chart: str, links: Links) -> str:
    alarm = message.alarm
    parts = [alarm.headline, f"What to do: {alarm.action}"]
    if alarm.consequence:
        parts.append(f"If nobody acts: {alarm.consequence}")
    deadline = _deadline(message, wording)
    if deadline:
        parts.append(f"Act by: {deadline}")
    if chart:
        parts.append(chart)
    if links.acknowledge is not None:
        parts.append(f"I have seen this (stops the reminders):\n{links.acknowledge}")
    if links.page is not None:
        parts.append(f"The site now:\n{links.page}")
    parts.append(f"{message.site_name}, {alarm.priority.value} priority, {alarm.id}")
    parts.append(NOT_A_SAFETY_DEVICE)
    return "\n\n".join(parts) + "\n"


def _html(message: Message, wording: Wording, chart: str, links: Links) -> str:
    alarm = message.alarm
    deadline = _deadline(message, wording)
    parts = [
        f'<h1 style="font-size:20px;margin:0 0 12px">{escape(alarm.headline)}</h1>',
        f"<p><strong>What to do:</strong> {escape(alarm.action)}</p>",
    ]
    if alarm.consequence:
        parts.append(f"<p><strong>If nobody acts:</strong> {escape(alarm.consequence)}</p>")
    if deadline:
        parts.append(f"<p><strong>Act by:</strong> {escape(deadline)}</p>")
    parts.append(chart)
    if links.acknowledge is not None:
        parts.append(
            f'<p><a href="{escape(links.acknowledge)}" style="display:inline-block;padding:10px 16px;'
            'background:#1a4d7a;color:#ffffff;text-decoration:none">I have seen this</a><br>'
            "<small>This stops the reminders.</small></p>"
        )
    if links.page is not None:
        parts.append(f'<p><a href="{escape(links.page)}">The site now</a></p>')
    parts.append(
        f"<p><small>{escape(message.site_name)}, {alarm.priority.value} priority, {escape(alarm.id)}<br>"
        f"{escape(NOT_A_SAFETY_DEVICE)}</small></p>"
    )
    body = "".join(parts)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(alarm.headline)}</title></head>'
        f'<body style="font-family:sans-serif;font-size:16px;color:#1b1b1b;max-width:560px">{body}</body></html>'
    )
