"""The HTTP API from Python: documents as typed objects, lists as iterators that fetch page after page."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import AbstractContextManager
from datetime import datetime
from types import TracebackType
from typing import Any, Self, TypeVar

import httpx

from api.client.errors import accepted
from api.client.events import Event, EventSource
from api.http.answers import soonest_first
from api.http.routes.longrecord import PartsHealthOut
from api.http.routes.outage import OutageStoryOut
from api.http.schemas import (
    AcceptedOut,
    AlarmOut,
    AlarmToldOut,
    AllAlarmsOut,
    CycleOut,
    CyclesOut,
    OutageOut,
    OutagesOut,
    ReadingsOut,
    ReadyOut,
    SiteOut,
    SitesOut,
    SiteSummary,
)
from api.http.shapes import Shape
from api.http.stream import StreamKind
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority
from forecaster.domain.forecast import Forecast
from forecaster.domain.longrecord import ExportFormat, RecordTable
from forecaster.domain.quantities import Quantity
from forecaster.engine.document import from_document
from forecaster.texts.catalogue import words

PAGE = 200
"""Entries fetched at a time."""

FORECASTS_A_PAGE = 2_000
"""Past forecasts fetched at a time: they are asked for by the day, which has some hundreds."""

TIMEOUT_S = 30.0
"""How long an answer may take by default [s]."""

Out = TypeVar("Out", bound=Shape)
Page = TypeVar("Page", SitesOut, CyclesOut, OutagesOut, AllAlarmsOut)
Asked = dict[str, str | int | list[str]]


class ApiClient(AbstractContextManager["ApiClient"]):
    """An installation over HTTP. Close it when done, or use it in a `with` block.

    base_url : str — as "http://127.0.0.1:8642"
    token : str | None — a bearer token of `outlast token add`; None on loopback, where none is needed
    timeout_s : float — how long one answer may take [s]

    Every method raises ClientError where the API refuses, and httpx.HTTPError where it cannot be reached.
    """

    def __init__(self, base_url: str, token: str | None = None, *, timeout_s: float = TIMEOUT_S) -> None:
        headers = {} if token is None else {"Authorization": f"Bearer {token}"}
        self._http = httpx.Client(base_url=f"{base_url.rstrip('/')}/api/v1/", headers=headers, timeout=timeout_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections."""
        self._http.close()

    # -- sites
    def sites(self) -> Iterator[SiteSummary]:
        """All sites that the token may see, soonest out first as they were when each was read."""
        pages = self._pages(SitesOut, "sites", {"limit": PAGE, "order": "id"})
        return iter(sorted((line for page in pages for line in page.sites), key=_soonest))

    def site(self, site: str) -> SiteOut:
        """A site as described, with the latest value of each channel."""
        return self._get(SiteOut, f"sites/{site}")

    def forecast(self, site: str) -> Forecast:
        """The newest forecast."""
        return from_document(self._json(f"sites/{site}/forecast"))

    def chance(self, site: str, until: datetime) -> float | None:
        """The chance, 0..1, that the pack is above its reserve floor at a time; None beyond the horizon."""
        found = self._json(f"sites/{site}/forecast", {"until": _moment(until)})["until"]["probability"]
        return None if found is None else float(found)

    def ready(self, site: str) -> ReadyOut:
        """Whether all is in order before leaving."""
        return self._get(ReadyOut, f"sites/{site}/ready")

    def health(self, site: str) -> PartsHealthOut:
        """How the parts fare over the months."""
        return self._get(PartsHealthOut, f"sites/{site}/health")

    # -- the record
    def forecasts(self, site: str, start: datetime, end: datetime) -> list[Forecast]:
        """Past forecasts in [start, end), oldest first, without their survival and drain path."""
        asked: Asked = {**_span(start, end), "limit": FORECASTS_A_PAGE}
        found: list[Forecast] = []
        while True:
            page = self._json(f"sites/{site}/forecasts", asked)
            found += [from_document(one) for one in page["forecasts"]]
            if page["cursor"] is None:
                return found
            asked["cursor"] = page["cursor"]

    def cycles(self, site: str, start: datetime, end: datetime) -> Iterator[CycleOut]:
        """Runs of the pump that start in [start, end), newest first."""
        for page in self._pages(CyclesOut, f"sites/{site}/cycles", {**_span(start, end), "limit": PAGE}):
            yield from page.cycles

    def readings(
        self, site: str, quantity: Quantity, start: datetime, end: datetime, *, points: int = 500, subject: str = ""
    ) -> ReadingsOut:
        """A measured series in [start, end), down-sampled to at most so many buckets that keep the extremes."""
        asked: Asked = {**_span(start, end), "quantity": quantity.value, "points": points, "subject": subject}
        return self._get(ReadingsOut, f"sites/{site}/readings", asked)

    def outages(self, site: str) -> list[OutageOut]:
        """Spans on the pack, newest first."""
        pages = self._pages(OutagesOut, f"sites/{site}/outages", {"limit": PAGE})
        return [outage for page in pages for outage in page.outages]

    def outage(self, site: str, outage: str) -> OutageStoryOut:
        """One outage as a story, by the `id` that `outages` gives."""
        return self._get(OutageStoryOut, f"sites/{site}/outages/{outage}")

    def export(
        self, site: str, what: RecordTable, start: datetime, end: datetime, form: ExportFormat = ExportFormat.CSV
    ) -> Iterator[bytes]:
        """A table of the long record in pieces, as it is written."""
        asked: Asked = {**_span(start, end), "what": what.value, "format": form.value}
        with self._http.stream("GET", f"sites/{site}/export", params=asked, timeout=None) as answer:
            yield from accepted(answer).iter_bytes()

    # -- alarms
    def alarms(
        self,
        site: str | None = None,
        *,
        states: Collection[AlarmState] = (),
        kinds: Collection[AlarmKind] = (),
        priorities: Collection[Priority] = (),
    ) -> Iterator[AlarmOut]:
        """Alarms in their newest revision, newest change first; what is left out is not filtered by."""
        asked: Asked = {"limit": PAGE}
        wanted = {"state": states, "kind": kinds, "priority": priorities}
        asked |= {name: [one.value for one in some] for name, some in wanted.items() if some}
        if site is not None:
            asked["site"] = site
        for page in self._pages(AllAlarmsOut, "alarms", asked):
            yield from page.alarms

    def alarm(self, alarm: str) -> AlarmToldOut:
        """One alarm, and who was told of it."""
        return self._get(AlarmToldOut, f"alarms/{alarm}")

    def acknowledge(self, alarm: str) -> int:
        """Say that somebody has seen an alarm and acts on it. Returns the number of the request."""
        return self._ask(f"alarms/{alarm}/acknowledge")

    def shelve(self, alarm: str, minutes: int) -> int:
        """Keep an alarm quiet for some minutes. Returns the number of the request."""
        return self._ask(f"alarms/{alarm}/shelve", {"minutes": minutes})

    def unshelve(self, alarm: str) -> int:
        """Bring a shelved alarm back before its time. Returns the number of the request."""
        return self._ask(f"alarms/{alarm}/unshelve")

    # -- as it happens
    def events(
        self, site: str | None = None, kinds: Collection[StreamKind] = (), *, after: str = ""
    ) -> Iterator[Event]:
        """What happens, as it happens, for ever: see EventSource.

        after : str — `Event.id` of the last event that an earlier run of the program has read
        """
        asked = {name: said for name, said in (("site", site), ("events", ",".join(kinds))) if said}
        return iter(EventSource(self._http, asked, after))

    def _ask(self, path: str, body: dict[str, Any] | None = None) -> int:
        answer = accepted(self._http.post(path, json=body or {}))
        return AcceptedOut.model_validate_json(answer.content).request

    def _json(self, path: str, asked: Asked | None = None) -> dict[str, Any]:
        document: dict[str, Any] = accepted(self._http.get(path, params=asked)).json()
        return document

    def _pages(self, kind: type[Page], path: str, asked: Asked) -> Iterator[Page]:
        while True:
            page = self._get(kind, path, asked)
            yield page
            if page.cursor is None:
                return
            asked = {**asked, "cursor": page.cursor}

    def _get(self, kind: type[Out], path: str, asked: Asked | None = None) -> Out:
        return kind.model_validate(self._json(path, asked))


def _soonest(line: SiteSummary) -> tuple[bool, float, str]:
    forecast = None if line.forecast is None else line.forecast.model_dump(include={"supply", "hours_remaining"})
    return soonest_first({"id": line.id, "forecast": forecast})


def _moment(at: datetime) -> str:
    """RFC 3339. ValueError for a time without a zone, which could be meant in any."""
    if at.tzinfo is None:
        raise ValueError(words()("usage.time_without_zone", time=at.isoformat()))
    return at.isoformat()


def _span(start: datetime, end: datetime) -> Asked:
    return {"from": _moment(start), "to": _moment(end)}
