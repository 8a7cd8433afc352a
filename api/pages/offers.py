"""What was heard on the broker as lines of the set-up form: values, what each may be and why, and what was chosen."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from api.pages.formcontexts import CARRIED, CHOSEN, LiveLine, Offer, OfferLine
from collector.decode.discovery import FieldHeard, TopicHeard
from collector.decode.suggestion import Suggestion
from collector.decode.units import conversion
from collector.decode.values import number
from forecaster.domain.errors import PayloadError
from forecaster.domain.quantities import SPECS, STATES, Quantity
from forecaster.domain.site import Units
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording

MOST_OFFERS = 400
RANK = {"both": 0, "name": 1}
"""How sure a suggestion is, by what it rests on."""


def offers_shown(
    form: Mapping[str, str], words: Words, heard: Sequence[TopicHeard], *, fresh: bool
) -> tuple[Offer, ...]:
    """The lines of the form, with what is heard of them now. fresh : and with those that the form does not have yet"""
    now = {(topic.topic, field.path or ""): (topic, field) for topic, field in usable(heard)}
    lines = [_brought_up(line, now, words) for line in kept_lines(form)]
    if fresh:
        shown = {(line.topic, line.path) for line in lines}
        more = [key for key in now if key not in shown]
        first = max((line.number for line in lines), default=-1) + 1
        lines += [_line(number, *now[key], words) for number, key in enumerate(more, first) if number < MOST_OFFERS]
    counted = {topic.topic: topic for topic in heard}
    return _by_topic([replace(line, stored=stored(line, form, words)) for line in lines], counted)


def offers_kept(form: Mapping[str, str]) -> tuple[Offer, ...]:
    """The lines of the form as they were sent back."""
    return _by_topic(kept_lines(form), {})


def kept_lines(form: Mapping[str, str]) -> list[OfferLine]:
    """The lines of the form, one by one."""
    found = []
    for place in range(MOST_OFFERS):
        if f"topic{place}" in form:
            kept = {key: form.get(f"{key}{place}", "") for key in (*CARRIED, *CHOSEN)}
            if kept["guess"] not in set(Quantity):
                kept["guess"] = ""
            found.append(OfferLine(number=place, **kept))
    return found


def unseen(offers: Iterable[Offer], heard: Sequence[TopicHeard]) -> int:
    """How many fields are heard that no line is there for."""
    shown = {(line.topic, line.path) for offer in offers for line in offer.lines}
    fields = {(topic.topic, field.path or "") for topic, field in usable(heard)}
    return len(fields - shown) if len(shown) < MOST_OFFERS else 0


def usable(heard: Sequence[TopicHeard]) -> Iterator[tuple[TopicHeard, FieldHeard]]:
    """The fields that a channel can be made of."""
    for topic in heard:
        for field in topic.fields:
            if field.kind in ("number", "yes-no"):
                yield topic, field


def live_lines(
    form: Mapping[str, str], words: Words, heard: Sequence[TopicHeard], now_s: float
) -> tuple[LiveLine, ...]:
    """What is heard now of each field. form : a draft, which says what was chosen; now_s : by the listener's clock"""
    kept = {(line.topic, line.path): line for line in kept_lines(form)}
    found = []
    for topic, field in usable(heard):
        line = _line(0, topic, field, words)
        chosen = kept.get((line.topic, line.path))
        if chosen is not None:
            line = replace(line, quantity=chosen.quantity, unit=chosen.unit)
        age = words("setup.heard_ago", n=round(max(0.0, now_s - field.heard_s)))
        found.append(LiveLine(line.topic, line.path, line.values, age, line.hint, stored(line, form, words)))
    return tuple(found)


def with_suggestions(offers: Sequence[Offer]) -> tuple[Offer, ...]:
    """Lines with their suggestions accepted, unless something was chosen by hand: of each quantity one at most.

    Where several lines may be the same, it is one whose name and values say so, else by name alone, else the first.
    """
    lines = [line for offer in offers for line in offer.lines]
    taken = {line.quantity for line in lines if line.quantity}
    accepted: set[int] = set()
    for line in sorted(lines, key=lambda line: (RANK.get(line.sure, len(RANK)), line.number)):
        if line.guess and not line.quantity and line.guess not in taken:
            taken.add(line.guess)
            accepted.add(line.number)
    return tuple(
        replace(offer, lines=tuple(
            replace(line, quantity=line.guess, unit=line.guess_unit) if line.number in accepted else line
            for line in offer.lines
        ))
        for offer in offers
    )  # fmt: skip


def channel_of(line: OfferLine) -> dict[str, Any]:
    """A chosen line as a channel of the site file."""
    yes_no = line.quantity in {quantity.value for quantity in STATES}
    channel = {
        "quantity": line.quantity,
        "topic": line.topic,
        "value": line.path,
        "unit": "" if yes_no else line.unit.strip(),
        "of": line.of.strip() if line.quantity == Quantity.LOAD_POWER.value else "",
        "time": line.time if line.format != "senml" else "",
        "format": line.format if line.format == "senml" else "",
    }
    return {key: value for key, value in channel.items() if value}


def stored(line: OfferLine, form: Mapping[str, str], words: Words) -> str:
    """The newest value of a chosen line as it would be stored, in the units of the pages; "" where none would be."""
    newest = line.values.rpartition(", ")[2]
    if not newest or line.quantity not in set(Quantity):
        return ""
    quantity = Quantity(line.quantity)
    if quantity in STATES:
        return ""
    made = conversion(line.unit.strip() or None, SPECS[quantity].unit)
    try:
        value = number(newest)
    except PayloadError:
        return ""
    if made is None:
        return ""
    units = form.get("units", "")
    wording = Wording("UTC", Units(units) if units in set(Units) else Units.METRIC, words)
    return wording.stored(value * made.scale + made.offset, SPECS[quantity].unit)


def hint_of(said: Suggestion, words: Words) -> str:
    """A suggestion in words, with its reasons; "" where there is none and nothing is to be said."""
    reasons = "; ".join(words.again(why) for why in said.why)
    if said.contrary and said.named is not None:
        return words("setup.contrary", name=words(f"quantity.{said.named.value}"), behaves=reasons)
    if said.quantity is None:
        return reasons
    name = words(f"quantity.{said.quantity.value}")
    what = words("setup.maybe_unit", name=name, unit=said.unit) if said.unit else words("setup.maybe", name=name)
    by_name = said.named is said.quantity
    if not reasons:
        return words("setup.as_named", what=what)
    key = "setup.as_named_and" if by_name else "setup.as_behaves"
    return words(key, what=what, behaves=reasons)


def _line(place: int, topic: TopicHeard, field: FieldHeard, words: Words) -> OfferLine:
    said = field.said
    return OfferLine(
        number=place,
        topic=topic.topic,
        path=field.path or "",
        time=topic.time_path or "",
        format=topic.format,
        values=", ".join(field.values),
        hint=hint_of(said, words),
        guess=said.quantity.value if said.quantity is not None else "",
        guess_unit=said.unit or "",
        sure="both" if said.agreed else "name" if said.named and said.quantity else "",
    )


def _brought_up(
    line: OfferLine, now: Mapping[tuple[str, str], tuple[TopicHeard, FieldHeard]], words: Words
) -> OfferLine:
    """A line of the form with what is heard of it now, where anything is."""
    found = now.get((line.topic, line.path))
    if found is None:
        return line
    return replace(_line(line.number, *found, words), quantity=line.quantity, unit=line.unit, of=line.of)


def _by_topic(lines: Iterable[OfferLine], counted: Mapping[str, TopicHeard]) -> tuple[Offer, ...]:
    by_topic: dict[str, list[OfferLine]] = {}
    for line in lines:
        by_topic.setdefault(line.topic, []).append(line)
    return tuple(
        Offer(topic, counted[topic].messages, counted[topic].retained_only, tuple(of_it)) if topic in counted
        else Offer(topic, 0, False, tuple(of_it))
        for topic, of_it in by_topic.items()
    )  # fmt: skip
