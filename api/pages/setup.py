"""Set-up: listen to the broker, suggest, check, and write the site file; nothing is chosen silently."""

from __future__ import annotations

import re
import unicodedata
import zoneinfo
from collections.abc import Mapping, Sequence
from pathlib import Path
from urllib.parse import urlsplit

from api.pages.formcontexts import CHOSEN, ChannelPreview, Offer, SetupContext
from api.pages.houseform import KEPT, POSITION, WEATHER, load_rows
from api.pages.offers import channel_of, offers_kept, offers_shown, unseen, with_suggestions
from api.pages.recordpages import channel_name, said
from api.pages.setupform import Filled, filled, worded
from api.pages.siteform import PLATES, sections
from collector.config.drafts import drafted
from collector.config.reach import host_of, public_only
from collector.config.settings import Installation
from collector.config.site_file import site_from, site_toml
from collector.decode.discovery import TopicHeard
from collector.decode.payload import Decoder
from collector.editing.keep import NEW_MODE, site_path
from collector.mqtt.listening import listen
from forecaster.domain.errors import ConfigError, UsageError
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Site, Units
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.wording import Wording

PREVIEW_S = 4.0
LISTEN_S = (3.0, 60.0)
MORE = (*POSITION, *(f"weather.{key}" for key in WEATHER))
US_ZONES = frozenset({
    "America/New_York", "America/Chicago", "America/Denver", "America/Phoenix", "America/Los_Angeles",
    "America/Anchorage", "Pacific/Honolulu", "America/Detroit", "America/Boise",
})  # fmt: skip
"""Zones of the IANA database that lie in the United States, where plates are read in inches and gallons."""


def listen_seconds(text: str) -> float:
    """How long to listen [s], within bounds."""
    try:
        wanted = float(text)
    except ValueError:
        raise UsageError(
            Said("usage.listen_is_not_a_number", text=text), Said("usage.write_seconds_such_as_10")
        ) from None
    return min(max(wanted, LISTEN_S[0]), LISTEN_S[1])


def setup_context(
    form: Mapping[str, str],
    words: Words,
    *,
    heard: Sequence[TopicHeard] = (),
    fresh: bool = False,
    take: bool = False,
    kept: str = "",
    listening: bool = False,
    problem: str = "",
    faults: Mapping[str, str] | None = None,
    previews: Sequence[ChannelPreview] = (),
    refused: Sequence[str] = (),
    toml: str = "",
) -> SetupContext:
    """The state of the page, with everything that was filled in so far.

    heard : what the broker carries; fresh : show all of it, not only what was shown before
    take : accept what is suggested
    kept : what is said of a draft, "" for nothing; listening : it is listened to the broker at present
    """
    offers = offers_shown(form, words, heard, fresh=fresh)
    if take:
        offers = with_suggestions(offers)
    chosen = sum(bool(line.quantity) for offer in offers for line in offer.lines)
    return SetupContext(
        values={key: form.get(key, "") for key in KEPT},
        filter=form.get("filter", "#"),
        seconds=form.get("seconds", "10"),
        heard=fresh or bool(offers),
        likely=tuple(offer for offer in offers if _speaks(offer, faults or {})),
        others=tuple(offer for offer in offers if not _speaks(offer, faults or {})),
        unseen=unseen(offers, heard),
        listening=listening,
        kept=kept,
        steps=_steps(words, len(offers), chosen, len(faults or {}), checked=bool(toml)),
        quantities=tuple((q.value, words(f"quantity.{q.value}"), SPECS[q].unit) for q in Quantity),
        zones=tuple(sorted(zoneinfo.available_timezones())),
        loads=load_rows(form),
        more_open=any(form.get(key, "").strip() or key in (faults or {}) for key in MORE),
        sections=sections(form, words, faults),
        problem=problem,
        faults=dict(faults or {}),
        listed=tuple((field, f"{label_of(field, form, words)}: {said}") for field, said in (faults or {}).items()),
        previews=tuple(previews),
        refused=tuple(refused),
        toml=toml,
    )


def _speaks(offer: Offer, faults: Mapping[str, str]) -> bool:
    """Whether a topic has a field that is chosen, suggested or faulty."""
    return any(
        line.quantity or line.hint or any(f"{key}{line.number}" in faults for key in CHOSEN) for line in offer.lines
    )


def _steps(words: Words, topics: int, chosen: int, wrong: int, *, checked: bool) -> tuple[tuple[str, str, str], ...]:
    """The steps of setting up, each with how it stands."""
    return (
        ("listen", words("setup.listen"), words("setup.step_topics", n=topics) if topics else ""),
        ("heard", words("setup.heard"), words("setup.step_chosen", n=chosen) if chosen else ""),
        ("house", words("setup.site"), words("edit.faults", n=wrong) if wrong else ""),
        ("write", words("setup.last"), words("setup.step_checked") if checked else ""),
        ("after", words("setup.leave"), ""),
    )


def label_of(field: str, form: Mapping[str, str], words: Words) -> str:
    """What a field is called on the form; that of a line which was heard by its topic."""
    if field in {plate.name for plate in PLATES}:
        return words(f"plate.{field}")
    stem = field.rstrip("0123456789")
    if stem in ("quantity", "unit", "of"):
        topic = form.get(f"topic{field.removeprefix(stem)}", "")
        return f"{topic}, {words('setup.use' if stem == 'quantity' else f'setup.{stem}')}"
    key = f"setup.{stem.replace('.', '_')}"
    return words(key) if key in words else field


def described(form: Mapping[str, str], words: Words) -> Site:
    """The site that the form describes, checked as a site file is. ConfigError or UsageError in one line."""
    made = filled_in(form)
    made.reading.refuse()
    return site_from(made.content, words("setup.form"))


def filled_in(form: Mapping[str, str]) -> Filled:
    """What is filled in, with the lines that were chosen among those that were heard."""
    lines = [line for offer in offers_kept(form) for line in offer.lines if line.quantity]
    return filled(form, {line.number: channel_of(line) for line in lines})


def faults_in(made: Filled, installation: Installation, words: Words) -> dict[str, str]:
    """All that is wrong with what is filled in, by field, what only this installation knows included."""
    found = made.faults(words)
    site, weather = made.content.get("id"), made.content.get("weather")
    if "id" not in found and (site in installation.sites or site_path(installation.folder, str(site)).exists()):
        found["id"] = worded(Said("usage.there_is_a_site_of_this"), Said("usage.choose_another_id"), words)
    if weather is not None and not any(field.startswith("weather.") for field in found):
        inside = inside_the_network(str(weather["url"]), installation)
        if inside is not None:
            found["weather.url"] = worded(inside.problem, inside.fix, words)
    return found


def inside_the_network(url: str, installation: Installation) -> UsageError | None:
    """Anybody with a token may fill in the form, so the weather service that it names must be on the public internet.

    A host inside a private network is accepted only where a site file already names it.
    """
    named = {host_of(other.weather.url) for other in installation.sites.values() if other.weather is not None}
    host = host_of(url)
    try:
        public_only(host, urlsplit(url).port or 443, named)
    except PermissionError:
        return UsageError(Said("setup.weather_inside", host=host), Said("setup.weather_inside_mend"))
    except OSError:
        return UsageError(Said("setup.weather_unknown", host=host), Said("setup.weather_unknown_mend"))
    return None


def prefilled(installation: Installation) -> dict[str, str]:
    """What can be proposed for another site: as the newest of the others has it, else the machine's own zone."""
    if not installation.sites:
        zone = machine_zone()
        return {"timezone": zone, "units": (Units.US if zone in US_ZONES else Units.METRIC).value}
    known = list(installation.sites.values())[-1]
    mail = next((contact.email for contact in known.contacts if contact.email), None)
    return {"timezone": known.timezone, "units": known.units.value, "email": mail or ""}


def short_name(name: str) -> str:
    """A short name for addresses made of a house's name, such as `larkspur-lane-cellar`; "" where nothing is left."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-")


def short_of(form: Mapping[str, str]) -> str:
    """The short name that a form gives, or that its house's name makes where it gives none."""
    return form.get("id", "").strip() or short_name(form.get("name", ""))


def machine_zone(link: Path = Path("/etc/localtime")) -> str:
    """The time zone that this machine is set to, as it links it in the zone database; "" where that cannot be told."""
    _, _, name = str(link.resolve()).partition("/zoneinfo/")
    return name if name in zoneinfo.available_timezones() and not name.startswith("Etc/") and "/" in name else ""


def preview(
    installation: Installation, site: Site, words: Words, now_ms: int
) -> tuple[list[ChannelPreview], list[str]]:
    """Listen now: each channel's value as it would be stored, and what would be refused, with the reason."""
    decoder = Decoder([site])
    latest: dict[tuple[Quantity, str], Reading] = {}
    refused: list[str] = []

    def hear(topic: str, payload: bytes, _: bool) -> None:
        decoded = decoder.decode(topic, payload, now_ms)
        latest.update({(reading.quantity, reading.subject): reading for reading in decoded.readings})
        refused.extend(
            f"{refusal.topic}: {words.line(refusal.reason)}" for refusal in decoded.refusals[:3] if len(refused) < 20
        )

    listen(installation.broker, decoder.filters(), PREVIEW_S, hear)
    wording = Wording.of(site, words)
    return [preview_line(channel, latest, wording, words) for channel in site.channels], refused


def preview_line(
    channel: Channel, latest: Mapping[tuple[Quantity, str], Reading], wording: Wording, words: Words
) -> ChannelPreview:
    """The value of one channel, or that nothing was heard of it."""
    reading = latest.get((channel.quantity, channel.of))
    value = words("setup.silent") if reading is None else said(reading.value, channel, wording, words)
    return ChannelPreview(channel_name(channel, words), channel.topic, value, reading is not None)


def write_site(folder: Path, site: Site) -> Path:
    """Write sites/<id>.toml whole or not at all; an existing file is never overwritten. ConfigError."""
    goal = site_path(folder, site.id)
    goal.parent.mkdir(exist_ok=True)
    try:
        with drafted(goal, site_toml(site).encode(), NEW_MODE) as draft:
            goal.hardlink_to(draft)
    except FileExistsError as error:
        raise ConfigError(
            f"{site.id}.toml", "id", Said("usage.there_is_a_site_of_this"), Said("usage.choose_another_id")
        ) from error
    return goal
