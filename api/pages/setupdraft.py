"""A set-up form that was begun: kept by the server, so that whoever began it goes on where it was left.

The ledger keeps it as a note, one a login (one in all where none is needed), for a month or until the site is written.
It holds what was typed: nothing of it is a password, and an address that carries one is kept as site files keep it.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from api.http.security import Principal
from api.pages.formcontexts import CARRIED, CHOSEN
from api.pages.offers import MOST_OFFERS
from forecaster.decoding.typed import from_json
from forecaster.domain.ports import Ledger
from forecaster.domain.times import DAY_MS

NOTE = "setup-draft"
KEPT_MS = 30 * DAY_MS
MOST = 200_000
"""Most characters of a draft; of a greater one the fields that were heard and not chosen are left out."""
PASSING = frozenset({"form_token", "do", "quick"})


class SetupDraft(msgspec.Struct, frozen=True):
    """at_ms : when it was last changed [ms]; form : its fields"""

    at_ms: int
    form: dict[str, str]


def keep(ledger: Ledger, who: Principal, form: Mapping[str, str], now_ms: int) -> None:
    """Keep a form in place of the one that was kept before, and forget those that nobody came back to."""
    fields = {key: value for key, value in form.items() if value and key not in PASSING}
    if sum(len(key) + len(value) for key, value in fields.items()) > MOST:
        fields = _chosen(fields)
    for name, text in ledger.notes(NOTE).items():
        if _too_old(from_json(text, SetupDraft), now_ms):
            ledger.forget_note(name)
    ledger.note(_name(who), msgspec.json.encode(SetupDraft(now_ms, fields)).decode())


def kept(ledger: Ledger, who: Principal, now_ms: int) -> SetupDraft | None:
    """The form that was kept, None where there is none."""
    text = ledger.noted(_name(who))
    if text is None:
        return None
    draft = from_json(text, SetupDraft)
    return None if _too_old(draft, now_ms) else draft


def drop(ledger: Ledger, who: Principal) -> None:
    """Forget the form: its site is written, or it is begun anew."""
    ledger.forget_note(_name(who))


def _name(who: Principal) -> str:
    return f"{NOTE}:{who.token_id or ''}"


def _too_old(draft: SetupDraft, now_ms: int) -> bool:
    return now_ms - draft.at_ms > KEPT_MS


def _chosen(fields: Mapping[str, str]) -> dict[str, str]:
    """A form without the fields that were heard and not chosen, cut where it is too long still."""
    unused = {str(place) for place in range(MOST_OFFERS) if f"quantity{place}" not in fields}
    gone = {f"{key}{place}" for key in (*CARRIED, *CHOSEN) for place in unused}
    held, size = {}, 0
    for key, value in fields.items():
        size += len(key) + len(value)
        if key not in gone and size <= MOST:
            held[key] = value
    return held
