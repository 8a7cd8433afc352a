"""Browser push: the key a browser subscribes with, and the subscriptions."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Sequence
from typing import Annotated, Literal
from urllib.parse import urlsplit

from fastapi import APIRouter, Path, Response
from pydantic import BaseModel, ConfigDict, Field

from api.deliver.push import keys_of, public_key
from api.http import answers
from api.http.dependencies import SITE_ID, PrincipalIn, ServicesIn
from api.http.problems import ProblemError
from api.http.security import require_site
from collector.config.reach import host_of, public_only
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.names import legible
from forecaster.domain.records import PushSubscription
from forecaster.texts.catalogue import Said

router = APIRouter(prefix="/api/v1/push", tags=["push"])

POINT_BYTES, AUTH_BYTES = 65, 16
"""Sizes of a browser's keys: an uncompressed P-256 point, and 16 octets (RFC 8291 section 3)."""

MOST_BROWSERS = 10
"""Most browsers that one token may subscribe; on loopback without a token, most browsers in all."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class PushKeyOut(_Strict):
    """The application server key, base64url."""

    key: str


class PushKeysIn(_Strict):
    """A browser's keys, base64url without padding."""

    p256dh: str = Field(max_length=200)
    auth: str = Field(max_length=100)


class SubscribeIn(_Strict):
    """What `PushSubscription.toJSON()` gives in a browser, with the site and whose browser it is."""

    endpoint: str = Field(max_length=2_000)
    keys: PushKeysIn
    site: str | None = Field(default=None, pattern=SITE_ID)
    label: str = Field(default="", max_length=80)


class SubscriptionOut(_Strict):
    """A subscription as kept; the endpoint stays a secret of the server."""

    id: str
    site: str | None
    label: str
    state: Literal["subscribed"] = "subscribed"


def identity(endpoint: str, site: str | None) -> str:
    """The id of a subscription: one for each browser and site, so that subscribing again replaces it."""
    return hashlib.sha256(f"{endpoint} {site or ''}".encode()).hexdigest()[:24]


def _check_key(text: str, size: int, name: str) -> None:
    try:
        raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except ValueError as error:
        raise UsageError(
            Said("usage.is_not_base64url", name=name), Said("usage.send_what_the_browsers_tojson_gives")
        ) from error
    if len(raw) != size:
        raise UsageError(
            Said("usage.has_bytes_instead_of", name=name, count=len(raw), size=size),
            Said("usage.send_what_the_browsers_tojson_gives"),
        )


def _check_endpoint(endpoint: str, allow_hosts: Collection[str]) -> None:
    """Refuse endpoints that no browser would give and addresses inside the owner's own network. The address is checked
    again at every message."""
    fix = Said("usage.send_what_the_browsers_tojson_gives")
    try:
        host = host_of(endpoint)
    except ValueError as error:
        raise UsageError(Said("usage.the_endpoint_cannot_be_used", error=str(error)), fix) from error
    parts = urlsplit(endpoint)
    if parts.username is not None or parts.password is not None:
        raise UsageError(Said("usage.the_endpoint_carries_a_user_name"), fix)
    if host in {name.lower() for name in allow_hosts}:
        return
    if parts.scheme != "https":
        raise UsageError(Said("usage.the_endpoint_is_not_an_https"), fix)
    try:
        public_only(host, parts.port or 443)
    except PermissionError as error:
        mend = Said("usage.name_it_in_push_allow_hosts")
        raise UsageError(Said("usage.the_endpoint_is_refused", error=str(error)), mend) from error
    except OSError:
        return  # not known to this resolver now: held to the same rule when a message leaves


def _check_room(held: Sequence[PushSubscription], fresh: PushSubscription) -> None:
    """Limit the browsers of each token, so that a token that was passed on cannot crowd out the others."""
    own = [item for item in held if item.token_id == fresh.token_id and item.id != fresh.id]
    if len(own) >= MOST_BROWSERS:
        raise ProblemError(409, Said("usage.browsers_are_subscribed_with_this_token", most_browsers=MOST_BROWSERS))


@router.get("/key", response_model=PushKeyOut)
def push_key(_who: PrincipalIn, services: ServicesIn) -> Response:
    """The key that a browser needs to subscribe (RFC 8292 section 3.2)."""
    return answers.json_response({"key": public_key(keys_of(services.installation, services.ledger))})


@router.post("/subscriptions", status_code=201, response_model=SubscriptionOut)
def subscribe(wish: SubscribeIn, who: PrincipalIn, services: ServicesIn) -> Response:
    """Keep a browser's subscription; the same browser subscribing again to the same site replaces itself.

    A token of one site hears of that site alone. A label that is a contact's name keeps that contact's rules.
    """
    if who.ends:
        raise ProblemError(403, Said("usage.a_token_that_ends_takes_no_push"))
    site = who.site if wish.site is None else wish.site
    if site is not None:
        require_site(who, site)
        services.site(site)
    _check_endpoint(wish.endpoint, services.installation.push.allow_hosts)
    _check_key(wish.keys.p256dh, POINT_BYTES, "keys.p256dh")
    _check_key(wish.keys.auth, AUTH_BYTES, "keys.auth")
    name = legible(wish.label.strip()) or who.name
    kept = PushSubscription(
        identity(wish.endpoint, site), wish.endpoint, wish.keys.p256dh, wish.keys.auth, site, name,
        services.clock.now_ms(), who.token_id,
    )  # fmt: skip
    subscribed = services.ledger.subscriptions()
    _check_room(subscribed, kept)
    for held in subscribed:
        if (held.endpoint, held.site) == (kept.endpoint, kept.site) and held.id != kept.id:
            services.ledger.drop_subscription(held.id)
    services.ledger.save_subscription(kept)
    return answers.json_response({"id": kept.id, "site": site, "label": name, "state": "subscribed"}, 201)


@router.delete("/subscriptions/{id}", status_code=204)
def unsubscribe(
    subscription_id: Annotated[str, Path(alias="id", pattern=r"^[0-9a-f]{24}$")],
    who: PrincipalIn,
    services: ServicesIn,
) -> Response:
    """Forget a browser's subscription."""
    held = next((item for item in services.ledger.subscriptions() if item.id == subscription_id), None)
    if held is None or (who.site is not None and held.site != who.site):
        raise NotFound(Said("usage.subscription", subscription_id=subscription_id))
    services.ledger.drop_subscription(subscription_id)
    return Response(status_code=204)
