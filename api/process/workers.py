"""The workers of a process, for the sites of its share."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from api.deliver.couriers import Couriers
from api.deliver.outbox import planner_for
from api.http.feeding import AlarmFeeder, Feeder
from api.http.publisher import StreamPublisher, nobody
from api.process.figures import FigureWriter
from api.process.installation_state import OutsideView
from api.process.letters import LetterWorker
from api.process.parts import Part, Startable
from api.process.services import Services
from api.process.studies import StudyWorker
from api.process.study_queue import QueuedStudies
from collector.collector import Collector
from collector.config.settings import Installation
from collector.share import Share
from collector.store.ledger import SqlLedger
from collector.weather import WeatherWorker
from forecaster.domain.leases import always
from forecaster.domain.site import Site
from forecaster.live.worker import ForecastWorker

if TYPE_CHECKING:
    from collector.store.influx_figures import FigureStore


def workers_of(services: Services, parts: frozenset[Part], share: Share) -> list[Startable]:
    """The workers, in the order in which they start."""
    workers: list[Startable] = []
    forecaster: ForecastWorker | None = None
    sites = share.of(services.installation.sites)
    if Part.FORECAST in parts:
        publisher = StreamPublisher(services.hub)
        if Part.SERVE in parts:
            feeder = AlarmFeeder(services.ledger, services.hub)
            publisher = StreamPublisher(services.hub, feeder.wake)
            workers.append(feeder)
        forecaster = _forecaster(services, sites, share, publisher)
        if share.number == 1:  # one set of couriers an installation: the outbox is one
            couriers, others = once_workers(services, forecaster)
            forecaster.make_room = couriers.ballast.release
            workers += [couriers, *others]
        workers.append(forecaster)
    if Part.COLLECT in parts:
        news = forecaster.wake if forecaster is not None else nobody
        workers.append(
            Collector(services.installation, services.store, services.ledger, services.clock, news, share=share)
        )
        if any(site.weather is not None for site in sites.values()):
            workers.append(WeatherWorker(sites, services.store, services.clock, news))
    if Part.SERVE in parts and forecaster is None:
        workers.append(Feeder(services.installation.sites, services.store, services.ledger, services.hub))
    return workers


def once_workers(
    services: Services, forecaster: ForecastWorker, leased: Callable[[], bool] = always
) -> tuple[Couriers, list[Startable]]:
    """What an installation does once: its couriers, which the forecaster wakes, and letters, figures and studies.

    leased : tells whether this is still the process that does it, where that changes hands
    """
    installation = services.installation
    couriers = Couriers(
        installation, services.ledger, services.clock,
        store=services.store, wake_forecaster=forecaster.wake, leased=leased,
    )  # fmt: skip
    forecaster.on_deliveries = couriers.wake
    figures = [FigureWriter(services, _figures(installation))] if installation.store.on_server else []
    studies = _studies(services)
    return couriers, [LetterWorker(services), *figures, studies]


def _studies(services: Services) -> Startable:
    """Who sees to the daily studies: by the queue where the ledger is on PostgreSQL."""
    installation, ledger = services.installation, services.ledger
    if isinstance(ledger, SqlLedger) and ledger.joinable:
        return QueuedStudies(installation.folder, installation.sites, ledger, services.clock)
    return StudyWorker(installation.folder, installation.sites, ledger, services.clock)


def _figures(installation: Installation) -> FigureStore:
    from collector.store.influx_figures import open_figures

    return open_figures(installation)


def _forecaster(services: Services, sites: dict[str, Site], share: Share, publisher: StreamPublisher) -> ForecastWorker:
    return ForecastWorker(
        sites, services.store, services.ledger, services.clock,
        plan=planner_for(services.installation, services.ledger), outside=OutsideView(services),
        publisher=publisher, name=share.named("all"),
    )  # fmt: skip
