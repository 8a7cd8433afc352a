"""A live site: Larkspur Lane, stepped through simulated time, with storms, mains failures and what comes after."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import Arrangement, Pack, Pit, Pump, Site, Units
from forecaster.twin.bank import BankTruth, bank_sensors, banked, each_pack
from forecaster.twin.draw import OUTLOOK_SENSOR, channel_of, topic_of
from forecaster.twin.episode import LOOK_AHEAD_H, OUTLOOK_EVERY_S, EpisodeWeather, expected_life_h
from forecaster.twin.house import House, SupplySpan, simulate
from forecaster.twin.messages import SimulatedMessage, outlook_payload, payload_of
from forecaster.twin.one_a_pump import with_a_pack_each
from forecaster.twin.pair import SECOND, PairTruth, each_pump, pair_sensors, paired_site
from forecaster.twin.parameters import (
    Catchment,
    Climate,
    InverterTruth,
    LoadTruth,
    PackTruth,
    PitTruth,
    PumpTruth,
    Reservoir,
    TwinParameters,
    Wobble,
)
from forecaster.twin.sensors import Reporter, Sensor
from forecaster.twin.water import InflowTruth, inflow_from_rain
from forecaster.twin.weather import DAY_S, GRID_S, Storm, draw_storms, hourly_mm, outlook, rain_on_grid

PLAN_DAYS = 12.0
"""How many days are simulated ahead at a time."""

SPIN_UP_DAYS = 20.0
"""Days of rain before each of these plans, so that the catchment holds its usual water when it starts."""

LARKSPUR = TwinParameters(
    climate=Climate(storms_per_day=0.25, storm_h=4.0, intensity_mm_per_h=2.0),
    catchment=Catchment(
        base_l_per_min=2.2,
        base_swing=0.2,
        base_peak_day=100.0,
        reservoirs=(Reservoir(3.0, 160.0), Reservoir(16.0, 220.0), Reservoir(90.0, 250.0)),
        delay_h=0.5,
        wobbles=(Wobble(0.25, 0.04), Wobble(2.0, 0.03), Wobble(12.0, 0.015)),
        tile_l_per_min=90.0,
    ),
    pit=PitTruth(area_m2=0.166, drawdown_m=0.17, freeboard_m=0.30, slop_on_m=0.004, slop_off_m=0.002),
    pump=PumpTruth(
        running_w=482.0, sag=0.03, spread=0.006, inrush_w=1450.0, inrush_s=0.35, rate_l_per_min=148.0,
        wear_per_day=0.0003, power_factor=0.78,
    ),
    pack=PackTruth(
        capacity_wh=965.0, inverter=InverterTruth(1000.0, 1110.0, 8.2, -2e-5), bow=0.05, skew=-0.02,
        reserve_percent=10.0, charge_w=300.0,
    ),
    loads=(LoadTruth("router", 11.0),),
    outlook_sigma=0.4,
)  # fmt: skip
"""What is true on Larkspur Lane, chosen so that a demonstration has much to show."""

LARKSPUR_SENSORS: tuple[Sensor, ...] = (
    Sensor(Quantity.PUMP_POWER, "plug", 5.0, step=0.1, gain=0.006, noise=0.004),
    Sensor(Quantity.PUMP_ENERGY, "plug", 60.0, step=0.1, round_down=True, gain=0.006),
    Sensor(Quantity.PACK_CHARGE, "pack", 30.0, step=1.0, round_down=True),
    Sensor(Quantity.PACK_OUTPUT_POWER, "pack", 10.0, step=1.0),
    Sensor(Quantity.PACK_INPUT_POWER, "pack", 30.0, step=1.0),
    Sensor(Quantity.PACK_TEMPERATURE, "pack", 60.0, step=0.1),
    Sensor(Quantity.MAINS_PRESENT, "mains", 30.0, on_change=True),
    Sensor(Quantity.HIGH_WATER, "alarm-float", 60.0, on_change=True),
    Sensor(Quantity.WATER_LEVEL, "pit", 30.0, step=0.001),
    Sensor(Quantity.RAIN_DEPTH, "gauge", 300.0, jitter=0.0),
)


def larkspur_site(site_id: str = "larkspur") -> Site:
    """The site file of Larkspur Lane: its nameplates, which are near the truth but differ from it."""
    sensors = (*LARKSPUR_SENSORS, OUTLOOK_SENSOR)
    return Site(
        id=site_id,
        name="Larkspur Lane cellar",
        timezone="America/Chicago",
        units=Units.US,
        latitude=41.9,
        longitude=-87.7,
        pump=Pump(
            rated_voltage_v=115.0, rated_current_a=(5.2, 5.2), rated_power_w=480.0, power_factor=0.8, horsepower=0.33,
            locked_rotor_code="L", static_head_m=2.6, maximum_head_m=6.5,
        ),
        pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.30),
        pack=Pack(
            capacity_wh=1024.0, continuous_w=900.0, surge_w=1800.0, inverter_efficiency=0.88, idle_w=9.0,
            reserve_percent=10.0, charge_w=300.0,
        ),
        loads=(),
        channels=tuple(channel_of(sensor) for sensor in sensors),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scenario:
    """What happens, in simulated time.

    fail_after_s : float — from the start to the first mains failure [s]
    outage_h : float — how long each failure lasts [h]
    storm_before_h : float — how long before a failure its storm began [h]
    storm_h, storm_mm_per_h : float — how long it rains [h], and how hard [mm/h]
    again_after_h : float — from the mains' return to the next failure [h]
    bank : BankTruth | None — several packs in place of the one
    pair : PairTruth | None — a second pump in the pit
    """

    fail_after_s: float = 1800.0
    outage_h: float = 13.0
    storm_before_h: float = 3.0
    storm_h: float = 5.0
    storm_mm_per_h: float = 4.5
    again_after_h: float = 30.0
    bank: BankTruth | None = None
    pair: PairTruth | None = None


@dataclass(frozen=True, slots=True)
class LiveState:
    """What is true at a moment; for a viewer, never for the engine.

    at_ms : int — the moment, UTC milliseconds
    charge_percent : float — unrounded reported charge [%]
    inflow_l_per_min, rain_mm_per_h : float — water into the pit [L/min], and rain [mm/h]
    reserve_in_h : float | None — expected hours to the reserve floor if the mains stays away [h]; None on mains or past
        the floor
    """

    at_ms: int
    supply: Supply
    charge_percent: float
    inflow_l_per_min: float
    rain_mm_per_h: float
    pump_running: bool
    reserve_in_h: float | None


class _SimulatedDays:
    """PLAN_DAYS of the house, simulated ahead.

    start_ms : int — when they begin, UTC milliseconds
    first_fail_s : float — the first mains failure, counted from there [s]
    plan : int — how many such plans came before
    """

    def __init__(self, scenario: Scenario, start_ms: int, first_fail_s: float, seed: int, plan: int) -> None:
        self.start_ms = start_ms
        rng = np.random.default_rng([seed, plan, 0x1A4B])
        stop_s, spin_s = PLAN_DAYS * DAY_S, -SPIN_UP_DAYS * DAY_S
        fails = np.arange(first_fail_s, stop_s, 3600.0 * (scenario.outage_h + scenario.again_after_h)).tolist()
        self.parameters = _own(rng) if plan == 0 else _own(np.random.default_rng([seed, 0, 0x1A4B]))
        day_of_year = (start_ms / 1000.0 / DAY_S) % 365.25
        grid_stop_s = stop_s + LOOK_AHEAD_H * 3600.0
        storms = [
            s for s in draw_storms(self.parameters.climate, spin_s, grid_stop_s, day_of_year, rng)
            if s.start_s < -2.0 * DAY_S
        ]  # fmt: skip
        for fail_s in fails:
            begin = fail_s - 3600.0 * scenario.storm_before_h
            storms.append(Storm(begin, begin + 3600.0 * scenario.storm_h, scenario.storm_mm_per_h))
        rain = rain_on_grid(storms, spin_s, int((grid_stop_s - spin_s) / GRID_S), rng)
        inflow = inflow_from_rain(self.parameters.catchment, rain, spin_s, day_of_year, rng)
        self.weather = EpisodeWeather(tuple(storms), rain, *hourly_mm(rain, spin_s, start_ms))
        self.house = self._house(scenario, fails, stop_s, inflow, rng)
        parts: dict[str, tuple[House, TwinParameters]] = {}
        apart = scenario.bank is not None and scenario.bank.arrangement is Arrangement.ONE_A_PUMP
        if apart and scenario.bank is not None and scenario.pair is not None:
            self.house, parts = with_a_pack_each(self.house, self.parameters, scenario.pair, scenario.bank, rng)
        elif scenario.pair is not None:
            self.house, second = each_pump(self.house, self.parameters, scenario.pair, rng)
            parts[SECOND] = second, self.parameters
        if scenario.bank is not None and not apart:
            parts |= each_pack(self.house, self.parameters, scenario.bank)
        self.reporter = Reporter(self.house, self.parameters, rain, start_ms)
        self.parts = {name: Reporter(*told, rain, start_ms) for name, told in parts.items()}

    def _house(
        self, scenario: Scenario, fails: list[float], stop_s: float, inflow: InflowTruth, rng: np.random.Generator
    ) -> House:
        edges: list[tuple[float, Supply]] = [(0.0, Supply.MAINS)]
        for fail_s in fails:
            back_s = fail_s + 3600.0 * scenario.outage_h
            if back_s + 12 * 3600.0 < stop_s:
                edges += [(fail_s, Supply.PACK), (back_s, Supply.MAINS)]
        stops = [*(start for start, _ in edges[1:]), stop_s]
        spans = tuple(SupplySpan(start, stop, supply) for (start, supply), stop in zip(edges, stops, strict=True))
        return simulate(self.parameters, spans, inflow, self.parameters.pack.capacity_wh, self.start_ms, rng)


def _own(rng: np.random.Generator) -> TwinParameters:
    """What is true on Larkspur Lane, with capacity and running power a little different from seed to seed."""
    return replace(
        LARKSPUR,
        pack=replace(LARKSPUR.pack, capacity_wh=LARKSPUR.pack.capacity_wh * float(rng.uniform(0.95, 1.03))),
        pump=replace(LARKSPUR.pump, running_w=LARKSPUR.pump.running_w * float(rng.uniform(0.97, 1.03))),
    )


class LiveSite:
    """Larkspur Lane, stepped: each `step(dt_s)` gives the messages published meanwhile, without end.

    start_ms : int — where simulated time begins, UTC milliseconds
    seed : int — the same seed, start and steps give the same messages
    scenario : Scenario | None — what happens; None: the usual one
    """

    def __init__(self, *, seed: int, start_ms: int, scenario: Scenario | None = None) -> None:
        self._scenario = scenario if scenario is not None else Scenario()
        self.site, self._sensors, bank = larkspur_site(), LARKSPUR_SENSORS, self._scenario.bank
        if bank is not None:
            self._sensors = bank_sensors(LARKSPUR_SENSORS, bank)
            self.site = banked(self.site, bank, (*self._sensors, OUTLOOK_SENSOR))
        if self._scenario.pair is not None:
            self._sensors = pair_sensors(self._sensors)
            self.site = paired_site(self.site, self._scenario.pair, (*self._sensors, OUTLOOK_SENSOR))
        self.now_ms = start_ms
        self._seed, self._plans = seed, 0
        self._rng = np.random.default_rng([seed, 0x57E9])
        self._plan = self._next_plan(start_ms, self._scenario.fail_after_s)

    def _next_plan(self, start_ms: int, first_fail_s: float) -> _SimulatedDays:
        plan = _SimulatedDays(self._scenario, start_ms, first_fail_s, self._seed, self._plans)
        self._plans += 1
        return plan

    def step(self, dt_s: float) -> list[SimulatedMessage]:
        """Let dt_s [s] of simulated time pass, and give the messages published meanwhile, in order of sending."""
        sent: list[SimulatedMessage] = []
        left_s = dt_s
        while left_s > 0.0:
            at_s = (self.now_ms - self._plan.start_ms) / 1000.0
            room_s = min(left_s, PLAN_DAYS * DAY_S - at_s)
            sent += self._between(at_s, at_s + room_s)
            self.now_ms = self._plan.start_ms + round(1000.0 * (at_s + room_s))
            left_s -= room_s
            if at_s + room_s >= PLAN_DAYS * DAY_S - 0.001:
                self._plan = self._next_plan(self.now_ms, 3600.0 * self._scenario.again_after_h)
        return sorted(sent, key=lambda message: message.at_ms)

    def _between(self, start_s: float, stop_s: float) -> list[SimulatedMessage]:
        sent = []
        for sensor in self._sensors:
            track = self._plan.parts.get(sensor.subject, self._plan.reporter).reports(
                sensor, start_s, stop_s, self._rng
            )
            topic = topic_of(sensor)
            told = zip(track.time_ms.tolist(), track.value.tolist(), strict=True)
            sent += [SimulatedMessage(topic, payload_of(sensor.quantity, at, value), at) for at, value in told]
        sent += self._outlooks(start_s, stop_s)
        return sent

    def _outlooks(self, start_s: float, stop_s: float) -> list[SimulatedMessage]:
        weather, sent = self._plan.weather, []
        for beat in range(int(-(-start_s // OUTLOOK_EVERY_S)), int(-(-stop_s // OUTLOOK_EVERY_S))):
            at_s = beat * OUTLOOK_EVERY_S
            first = int(np.searchsorted(weather.hours_s, at_s))
            ahead = slice(first, first + int(LOOK_AHEAD_H))
            said = outlook(weather.hours_mm[ahead], self._plan.parameters.outlook_sigma, 0.02, self._rng).tolist()
            hours = [self._plan.start_ms + round(1000.0 * s) for s in weather.hours_s[ahead].tolist()]
            at_ms = self._plan.start_ms + round(1000.0 * at_s)
            sent.append(
                SimulatedMessage(topic_of(OUTLOOK_SENSOR), outlook_payload(list(zip(hours, said, strict=True))), at_ms)
            )
        return sent

    def state(self) -> LiveState:
        """What is true now."""
        plan = self._plan
        at_s = (self.now_ms - plan.start_ms) / 1000.0
        at = np.array([at_s])
        house, inflow = plan.house, plan.house.inflow
        on_pack = bool(house.on_pack(at)[0])
        left_wh = house.energy.at(at)
        pack = plan.parameters.pack
        above_wh = float(left_wh[0]) - pack.energy_at_percent(pack.reserve_percent)
        lasts = expected_life_h(plan.parameters, inflow, at_s, above_wh) if on_pack and above_wh > 0.0 else None
        return LiveState(
            at_ms=self.now_ms,
            supply=Supply.PACK if on_pack else Supply.MAINS,
            charge_percent=float(pack.reported_percent(left_wh)[0]),
            inflow_l_per_min=float(inflow.l_per_min[inflow.index(at_s)]),
            rain_mm_per_h=float(plan.weather.rain_mm_per_h[inflow.index(at_s)]),
            pump_running=bool(house.pump.at(at)[0] > 0.0),
            reserve_in_h=lasts,
        )
