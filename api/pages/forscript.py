"""What the script needs: words to fill in and the chances along the strip, as JSON in data attributes."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from forecaster.domain.forecast import SurvivalPoint
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

DEFAULT_SILENCE_S = 900.0
MEANINGS = ("mains", "home", "other")


def survival_json(curve: Sequence[SurvivalPoint]) -> str:
    """Times and chances for the script, which interpolates linearly between them as `chance_at` does."""
    points = [[point.at_ms, point.probability] for point in curve]
    return msgspec.json.encode(points).decode()


def silence_of(site: Site) -> int:
    """Seconds of silence after which the page is out of date: the longest silence allowed to any channel."""
    limits = [channel.max_silence_s for channel in site.channels if channel.max_silence_s is not None]
    return round(max(limits, default=DEFAULT_SILENCE_S))


def script_words(words: Words, wording: Wording) -> str:
    """The words that the script fills in, as JSON."""
    said = {key: words(f"now.marker_{key}") for key in MEANINGS}
    said |= {key: words(f"now.marker_{key}") for key in ("says", "sure", "none", "unknown", "line", "name")}
    said |= {key: words(f"age.{key}") for key in ("heard", "stale")}
    said |= {key: wording.words(f"wording.{key}") for key in ("seconds", "minutes", "hours", "days", "ago")}
    said |= {"now": wording.words("wording.ago.now"), "cut": words("now.cut"), "here": words("now.here")}
    said |= {"unsent": words("now.unsent")}
    return msgspec.json.encode(said).decode()


def fleet_words(words: Words) -> str:
    """The words that the script of the list of all sites fills in, as JSON."""
    said = {key: words(f"wording.{key}") for key in ("seconds", "minutes", "hours", "days", "ago")}
    said |= {"now": words("wording.ago.now"), "cut": words("now.cut")}
    return msgspec.json.encode(said).decode()


def device_words(words: Words) -> str:
    """The words of alarms on this device, as JSON for the script."""
    keys = ("on", "off", "done", "gone", "denied", "failed")
    return msgspec.json.encode({key: words(f"device.{key}") for key in keys}).decode()
