"""Who did something and gave no name: words that are kept in English and said in the reader's language."""

from __future__ import annotations

from collections.abc import Mapping

from forecaster.texts.catalogue import Words

COMMAND_LINE, MAIL_LINK = "command line", "mail link"
"""Stand in place of a name in records, in alarms that were acknowledged and in tests that were started."""

KEYS: Mapping[str, str] = {COMMAND_LINE: "doer.command_line", MAIL_LINK: "doer.mail_link"}


def doer(name: str, words: Words) -> str:
    """Who did something, for readers: what stands in place of a name in their language, a name as it is."""
    return words(KEYS[name]) if name in KEYS else name
