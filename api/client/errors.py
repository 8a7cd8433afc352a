"""What the API answered in place of what was asked."""

from __future__ import annotations

import httpx

from forecaster.texts.catalogue import words

PROBLEM = "application/problem+json"
"""The media type of a problem document (RFC 9457)."""


class ClientError(Exception):
    """The API refused a request, or what answered was not the API.

    status : int — HTTP status; title, detail : str — of the problem document
    """

    def __init__(self, status: int, title: str, detail: str) -> None:
        super().__init__(f"{status} {title}: {detail}" if detail else f"{status} {title}")
        self.status, self.title, self.detail = status, title, detail


def accepted(answer: httpx.Response) -> httpx.Response:
    """An answer that is what was asked; its body is read where it is not. ClientError."""
    if answer.is_success:
        return answer
    answer.read()
    if answer.headers.get("Content-Type", "").partition(";")[0] != PROBLEM:
        raise ClientError(answer.status_code, answer.reason_phrase, words()("usage.not_the_api"))
    problem = answer.json()
    raise ClientError(answer.status_code, problem["title"], problem.get("detail", ""))
