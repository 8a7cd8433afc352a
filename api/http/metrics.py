"""OpenMetrics 1.0 exposition: counters end in _total, the text ends in # EOF."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import msgspec

from api.http.security import Principal
from api.process.services import Services

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Metric:
    """One family: name without suffix, type (gauge or counter), help, and (labels, value) samples."""

    name: str
    type: str
    help: str
    samples: tuple[tuple[dict[str, str], float | None], ...]


def _escape(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def render(metrics: Iterable[Metric]) -> str:
    """Metric families as text; samples that are not known are left out."""
    lines: list[str] = []
    for metric in metrics:
        known = [(labels, value) for labels, value in metric.samples if value is not None]
        if not known:
            continue
        lines.append(f"# TYPE {metric.name} {metric.type}")
        lines.append(f"# HELP {metric.name} {_escape(metric.help)}")
        suffix = "_total" if metric.type == "counter" else ""
        for labels, value in known:
            inside = ",".join(f'{key}="{_escape(text)}"' for key, text in labels.items())
            lines.append(
                f"{metric.name}{suffix}{{{inside}}} {value!r}" if inside else f"{metric.name}{suffix} {value!r}"
            )
    return "\n".join([*lines, "# EOF", ""])


def exposition(services: Services, who: Principal) -> str:
    """The metrics of this process and of the sites that the asker may see."""
    return render([*_stores(services), *_workers(services), *_sites(services, who)])


def _stores(services: Services) -> Iterable[Metric]:
    named = (("readings", services.store.health()), ("ledger", services.ledger.health()))

    def gauge(name: str, help_text: str, attribute: str) -> Metric:
        samples = tuple(({"store": store}, _float(getattr(health, attribute))) for store, health in named)
        return Metric(name, "gauge", help_text, samples)

    yield gauge("outlast_store_up", "Whether the store answers.", "ok")
    yield gauge("outlast_store_size_bytes", "Bytes on disk.", "size_bytes")
    yield gauge("outlast_store_wal_bytes", "Bytes in the write-ahead log.", "wal_bytes")
    yield gauge("outlast_store_free_bytes", "Bytes free beside it.", "free_bytes")
    yield gauge("outlast_store_pending", "Readings held in a local outbox.", "pending")
    oldest_ms = services.ledger.oldest_undelivered_ms()
    age_s = 0.0 if oldest_ms is None else max(0.0, (services.clock.now_ms() - oldest_ms) / 1000.0)
    help_text = "Age of the oldest alarm message not delivered."
    yield Metric("outlast_undelivered_age_seconds", "gauge", help_text, (({}, age_s),))


def _workers(services: Services) -> Iterable[Metric]:
    yield Metric("outlast_stream_clients", "gauge", "Open event streams.", (({}, float(services.hub.clients)),))
    for name, kind, help_text, value in services.counts():
        yield Metric(name, kind, help_text, (({}, value),))


def _sites(services: Services, who: Principal) -> Iterable[Metric]:
    now_ms = services.clock.now_ms()
    newest = {
        s: f
        for s, f in services.ledger.newest(brief=True).items()
        if who.may_read(s) and s in services.installation.sites
    }
    documents = {site: msgspec.json.decode(f.document) for site, f in newest.items()}
    ages = tuple(({"site": site}, max(0.0, (now_ms - f.issued_ms) / 1000.0)) for site, f in newest.items())
    yield Metric("outlast_forecast_age_seconds", "gauge", "Age of the newest forecast.", ages)
    hours = tuple(
        ({"site": site, "quantile": level}, _float(document["hours_remaining"][f"p{level[2:]}"]))
        for site, document in documents.items()
        for level in ("0.10", "0.50", "0.90")
    )
    yield Metric("outlast_hours_remaining", "gauge", "Hours until the pack reaches the reserve floor.", hours)
    charge = tuple(({"site": site}, _float(document["charge_percent"])) for site, document in documents.items())
    yield Metric("outlast_pack_charge_percent", "gauge", "Charge of the pack.", charge)
    on_pack = tuple(({"site": site}, float(document["supply"] == "pack")) for site, document in documents.items())
    yield Metric("outlast_on_pack", "gauge", "Whether the pack carries the pump.", on_pack)


def _float(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
