"""The metrics of this process and of the sites that the asker may see, as OpenMetrics or in Prometheus' text format."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Iterator

from prometheus_client import CollectorRegistry, ProcessCollector, exposition, openmetrics
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.registry import Collector as FamilySource

from api import __version__
from api.http.metrics_sites import site_counts
from api.http.security import Principal
from api.process.members import member_counts, queue_counts, view
from api.process.services import Services
from forecaster.domain.counts import Count

OPENMETRICS = "application/openmetrics-text"
MEDIA_TYPE = f"{OPENMETRICS}; version=1.0.0; charset=utf-8"
TEXT_TYPE = "text/plain; version=0.0.4; charset=utf-8"

UNITS = frozenset({"seconds", "bytes", "ratio"})
"""At the end of a name, and told beside it (OpenMetrics 1.0, "Unit"): the base units that are in use."""

RENAMED = re.compile(r"outlast_hours_remaining|outlast_pack_charge_percent|outlast_deliveries_.+")
"""Earlier names that are still exposed: those with units that are not base units, or with a channel in the name."""


def answered(services: Services, who: Principal, accept: str | None, *, of_sites: bool) -> tuple[bytes, str]:
    """The exposition and its media type by the Accept header: OpenMetrics 1.0 unless only plain text is accepted.

    of_sites : bool — whether what the ledger knows of the sites is in it; else this process and its stores alone
    """
    plain = accept is not None and "text/plain" in accept and OPENMETRICS not in accept and "*/*" not in accept
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Families(services, who, renamed=not plain, of_sites=of_sites))
    ProcessCollector(registry=registry)
    if plain:
        return exposition.generate_latest(registry), TEXT_TYPE
    return openmetrics.exposition.generate_latest(registry), MEDIA_TYPE


class _Families(FamilySource):
    """The metric families of one scrape.

    renamed : bool — whether metrics that have been renamed also appear under the earlier name, for one release
    of_sites : bool — whether there are families of the sites
    """

    def __init__(self, services: Services, who: Principal, *, renamed: bool, of_sites: bool) -> None:
        self._services, self._who, self._renamed, self._of_sites = services, who, renamed, of_sites

    def collect(self) -> Iterable[Family]:
        build = InfoMetricFamily("outlast_build", "What this process is.")
        build.add_metric((), {"version": __version__, "python": sys.version.split()[0]})
        yield build
        counts = [
            *_stores(self._services),
            Count("outlast_stream_clients", "gauge", "Open event streams.", float(self._services.hub.clients)),
            *self._services.counts(),
            *_members(self._services, self._who),
        ]
        if self._of_sites:
            counts += site_counts(self._services, self._who)
        yield from families(count for count in counts if self._renamed or not RENAMED.fullmatch(count.name))


def families(counts: Iterable[Count]) -> Iterator[Family]:
    """Samples grouped into families, in the order of their first appearance; unknown values are left out."""
    found: dict[str, CounterMetricFamily | GaugeMetricFamily] = {}
    for count in counts:
        if count.value is None:
            continue
        labels = [name for name, _ in count.labels]
        if count.name not in found:
            made = CounterMetricFamily if count.kind == "counter" else GaugeMetricFamily
            unit = count.name.rpartition("_")[2]
            found[count.name] = made(count.name, count.help, labels=labels, unit=unit if unit in UNITS else "")
        found[count.name].add_metric([value for _, value in count.labels], count.value)
    yield from found.values()


def _stores(services: Services) -> Iterator[Count]:
    for name, health in (("readings", services.store.health()), ("ledger", services.ledger.health())):
        label = (("store", name),)
        yield Count("outlast_store_up", "gauge", "Whether the store answers.", float(health.ok), label)
        yield Count("outlast_store_size_bytes", "gauge", "Bytes on disk.", health.size_bytes, label)
        yield Count("outlast_store_wal_bytes", "gauge", "Bytes in the write-ahead log.", health.wal_bytes, label)
        yield Count("outlast_store_free_bytes", "gauge", "Bytes free beside it.", health.free_bytes, label)
        yield Count("outlast_store_pending", "gauge", "Readings held in a local outbox.", health.pending, label)
    oldest_ms = services.ledger.oldest_undelivered_ms()
    age_s = 0.0 if oldest_ms is None else max(0.0, (services.clock.now_ms() - oldest_ms) / 1000.0)
    yield Count("outlast_undelivered_age_seconds", "gauge", "Age of the oldest alarm message not delivered.", age_s)


def _members(services: Services, who: Principal) -> Iterator[Count]:
    """Who has joined and carries what, for those who may see all sites."""
    if who.site is None:
        yield from member_counts(view(services.ledger.members(), services.installation.sites))
        yield from queue_counts(services.ledger.queue_seen())
