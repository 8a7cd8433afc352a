"""One request to a browser's push service. Loaded with the first push: it takes 14 MB, and many never push."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import requests
from py_vapid import Vapid02
from pywebpush import WebPushException, webpush

from forecaster.domain.records import PushSubscription

TIMEOUT_S = 10.0


@dataclass(frozen=True, slots=True)
class PushResponse:
    """What the push service says. code : int | None — None where there was no answer; after : its Retry-After."""

    code: int | None
    said: str = ""
    after: str = ""


class PushPost:
    """Posts over connections that stay open between messages."""

    def __init__(self) -> None:
        self._session = requests.Session()

    def post(
        self,
        to: PushSubscription,
        data: bytes,
        keys: Vapid02,
        contact: str,
        *,
        ttl_s: int,
        headers: Mapping[str, str],
    ) -> PushResponse:
        """One attempt. ValueError where the browser's keys cannot be used."""
        try:
            webpush(
                {"endpoint": to.endpoint, "keys": {"p256dh": to.p256dh, "auth": to.auth}},
                data=data,
                vapid_private_key=keys,
                vapid_claims={"sub": contact},  # the library adds aud, and exp within 12 h
                ttl=ttl_s,
                headers=dict(headers),
                timeout=TIMEOUT_S,
                requests_session=self._session,
            )
        except WebPushException as error:
            return _answer(error.response, str(error.message))
        except requests.RequestException as error:
            return PushResponse(None, f"the push service cannot be reached: {type(error).__name__}: {error}")
        return PushResponse(201)

    def close(self) -> None:
        """Close connections."""
        self._session.close()


def _answer(response: Any, said: str) -> PushResponse:
    if response is None:
        return PushResponse(None, f"the push service cannot be used: {said}")
    return PushResponse(int(response.status_code), said, str(response.headers.get("retry-after", "")))
