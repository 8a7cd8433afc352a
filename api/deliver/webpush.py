"""One request to a browser's push service. Loaded with the first push, because it takes 14 MB and many never push."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import requests
from py_vapid import Vapid02
from pywebpush import WebPushException, webpush

from api.deliver.outcome import Later, Never
from api.deliver.outward import OutwardAnswer
from forecaster.domain.records import PushSubscription
from forecaster.texts.catalogue import words

Send = Callable[[str, bytes, Mapping[str, str]], OutwardAnswer | Later | Never]


class _Refused(Exception):
    """Carries an outcome out of the library's call as an exception."""

    def __init__(self, outcome: Later | Never) -> None:
        super().__init__(outcome.error)
        self.outcome = outcome


class _Session:
    """The session that the library posts with: it makes the same guarded request as webhooks."""

    def __init__(self, send: Send) -> None:
        self._send = send

    def post(self, endpoint: str, data: bytes, headers: Mapping[str, Any], **_: object) -> requests.Response:
        """Post once; the answer as the library wants it."""
        given = {name: str(value) for name, value in headers.items()}
        answer = self._send(endpoint, data, given)
        if not isinstance(answer, OutwardAnswer):
            raise _Refused(answer)
        response = requests.Response()
        response.status_code = answer.status
        response.headers.update(answer.headers)
        return response


def push_once(
    to: PushSubscription,
    data: bytes,
    keys: Vapid02,
    contact: str,
    *,
    ttl_s: int,
    headers: Mapping[str, str],
    send: Send,
) -> OutwardAnswer | Later | Never:
    """One attempt. ValueError where the browser's keys cannot be used.

    send : posts address, body and headers once
    """
    try:
        webpush(
            {"endpoint": to.endpoint, "keys": {"p256dh": to.p256dh, "auth": to.auth}},
            data=data,
            vapid_private_key=keys,
            vapid_claims={"sub": contact},  # the library adds aud, and exp within 12 h
            ttl=ttl_s,
            headers=dict(headers),
            requests_session=_Session(send),
        )
    except _Refused as refused:
        return refused.outcome
    except WebPushException as error:
        if error.response is None:
            return Later(words()("outcome.it_cannot_be_used", message=error.message))
        told = {name.lower(): value for name, value in error.response.headers.items()}
        return OutwardAnswer(int(error.response.status_code), told)
    return OutwardAnswer(201, {})
