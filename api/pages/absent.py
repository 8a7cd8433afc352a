"""What pages say while a site is paused, or while others look after it."""

from __future__ import annotations

from forecaster.alarms.absence import is_away, is_paused
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words


def absent_words(site: Site, now_ms: int, words: Words) -> tuple[str, ...]:
    """Lines for the head of a site's pages; none where neither holds. Nobody is named."""
    lines = []
    if site.paused_until is not None and is_paused(site, now_ms):
        lines.append(words("nav.paused", until=site.paused_until.isoformat()))
    if site.away is not None and is_away(site, now_ms):
        lines.append(words("nav.away", until=site.away.last.isoformat()))
    return tuple(lines)
