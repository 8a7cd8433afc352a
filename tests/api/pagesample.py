"""Pages over hand-made sites: a client, and small stores filled in the test itself."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping, Sequence
from html.parser import HTMLParser

import httpx
import msgspec

from api.http.app import create_app
from api.process.services import Services
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.forecast import Basis, ChargeAhead, DrawParts, Forecast, Quantiles, SurvivalPoint, Water
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Channel, Pack, Pit, Pump, Site, Units
from forecaster.domain.times import HOUR_MS
from forecaster.engine.document import document
from tests.scenario import NOW_MS

LOCAL = "http://127.0.0.1"


def site(site_id: str = "larkspur", name: str = "Larkspur Lane cellar", units: Units = Units.METRIC) -> Site:
    return Site(
        id=site_id,
        name=name,
        timezone="America/Chicago",
        units=units,
        pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0),
        pack=Pack(capacity_wh=1024.0, continuous_w=900.0, surge_w=1800.0),
        pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.30),
        channels=(
            Channel(Quantity.PUMP_POWER, "cellar/plug", "$.power", "W"),
            Channel(Quantity.PACK_CHARGE, "cellar/pack", "$.charge", "%", max_silence_s=180.0),
        ),
    )


def forecast(site_id: str = "larkspur", *, supply: Supply = Supply.PACK, middle_h: float = 8.5) -> Forecast:
    points = tuple(SurvivalPoint(NOW_MS + k * HOUR_MS, max(0.0, 1.0 - k / (2 * middle_h))) for k in range(1, 24))
    fan = tuple(
        ChargeAhead(NOW_MS + k * HOUR_MS, max(0.0, 71.0 - 9 * k), max(0.0, 71.0 - 7 * k), 71.0 - 3 * k)
        for k in range(12)
    )
    return Forecast(
        site=site_id,
        issued_at_ms=NOW_MS,
        supply=supply,
        basis=Basis.MEASURED,
        data_age_s=4.0,
        charge_percent=71.0,
        usable_wh=498.0,
        draw_w=41.2,
        cycles_per_hour=19.6,
        run_s=10.3,
        wh_per_cycle=1.9,
        duty=0.056,
        hours_remaining=Quantiles(*(middle_h * f for f in (0.7, 0.8, 0.9, 1.0, 1.1, 1.3, 1.4))),
        hours_to_empty=Quantiles(*(middle_h * f for f in (0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.5))),
        survival=points,
        water=Water(8.6, 155.0, 6.2, 5.0),
        supply_since_ms=NOW_MS - 3 * HOUR_MS,
        draw=DrawParts(28.0, 2.0, 11.2, 0.0),
        drain_path=fan,
    )


def publish(services: Services, made: Forecast) -> None:
    text = msgspec.json.encode(document(made)).decode()
    services.ledger.publish([StoredForecast(made.site, made.issued_at_ms, text)])


def heard(services: Services, site_id: str = "larkspur", at_ms: int = NOW_MS - 4000) -> None:
    services.store.append(
        [
            Reading(site_id, Quantity.PUMP_POWER, at_ms, 512.0, at_ms),
            Reading(site_id, Quantity.PACK_CHARGE, at_ms, 71.0, at_ms),
        ]
    )


def runs(site_id: str = "larkspur", *, count: int = 20, every_ms: int = 600_000, until_ms: int = NOW_MS) -> list[Run]:
    starts = [until_ms - k * every_ms for k in range(1, count + 1)]
    return [
        Run(site_id, at, at + 10_000, 1.4, 512.0, 540.0, Quantity.PUMP_POWER, Supply.PACK, 5) for at in reversed(starts)
    ]


def raise_alarm(services: Services, site_id: str = "larkspur", headline: str = "Mains lost 02:12.") -> Alarm:
    alarm = Alarm(
        id=f"{site_id}:mains-lost:{NOW_MS}",
        site=site_id,
        kind=AlarmKind.MAINS_LOST,
        priority=Priority.HIGH,
        state=AlarmState.UNACKNOWLEDGED,
        episode=NOW_MS,
        raised_ms=NOW_MS,
        changed_ms=NOW_MS,
        headline=headline,
        action="Ask the utility how long it will be.",
        consequence="The pack drains.",
    )
    services.ledger.commit_transitions([AlarmTransition(alarm, TransitionKind.RAISED, NOW_MS)], [], [])
    return alarm


class Browser:
    """Asks the application directly, keeping cookies; follows no redirect."""

    def __init__(self, services: Services, base: str) -> None:
        self._app, self._base = create_app(services), base
        self.cookies = httpx.Cookies()

    def get(self, path: str, headers: Mapping[str, str] | None = None) -> httpx.Response:
        return asyncio.run(self._ask("GET", path, None, headers))

    def post(self, path: str, data: Mapping[str, str], headers: Mapping[str, str] | None = None) -> httpx.Response:
        return asyncio.run(self._ask("POST", path, data, headers))

    async def _ask(
        self, method: str, path: str, data: Mapping[str, str] | None, headers: Mapping[str, str] | None
    ) -> httpx.Response:
        transport = httpx.ASGITransport(self._app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=self._base, cookies=self.cookies) as asking:
            answer = await asking.request(method, path, data=data, headers=headers)
        self.cookies.update(answer.cookies)
        return answer


def client(services: Services, base: str = LOCAL) -> Browser:
    return Browser(services, base)


def form_token(html: str) -> str:
    found = re.search(r'name="form_token" value="([0-9a-f]+)"', html)
    assert found is not None, "the page has no form token"
    return found[1]


class Tags(HTMLParser):
    """Every tag of a page with its attributes, and the text outside of tags."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: Sequence[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data
