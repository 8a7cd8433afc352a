"""A typed client of the HTTP API, for scripts: `from api.client import ApiClient`."""

from __future__ import annotations

from api.client.client import ApiClient
from api.client.errors import ClientError
from api.client.events import Event

__all__ = ["ApiClient", "ClientError", "Event"]
