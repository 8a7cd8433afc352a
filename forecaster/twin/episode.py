"""An episode: a history on mains, perhaps with an earlier failure, and then an outage, with what is true of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.maths.arrays import Array
from forecaster.twin.draw import OUTLOOK_SENSOR, draw_truth, nameplate
from forecaster.twin.house import House, SupplySpan, simulate
from forecaster.twin.parameters import TwinParameters
from forecaster.twin.sensors import Reporter, Sensor, Track
from forecaster.twin.styles import FULL, Style, draw_sensors, history_days
from forecaster.twin.troubles import ClockStep, TelemetryGap, Troubles, troubled
from forecaster.twin.water import InflowTruth, inflow_from_rain
from forecaster.twin.weather import DAY_S, GRID_S, Storm, draw_storms, hourly_mm, outlook, rain_on_grid

EPOCH_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z

SPIN_UP_DAYS = 25.0
"""Days of rain before time 0, so that the catchment holds its usual water by then."""

SHORTEST_H, LONGEST_H = 3.0, 84.0
"""Expected hours from the mains failure to the reserve floor in a house that is taken."""

LOOK_AHEAD_H = 48.0
"""How far ahead the weather service tells the rain [h]."""

OUTLOOK_EVERY_S = 21_600.0
"""How often it does [s]."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What the outage came to, in UTC milliseconds.

    transfer_ms : int — when the mains failed
    reserve_ms : int — when the unrounded reported charge reached, or would have reached, the reserve floor
    empty_ms : int — when no energy was left, or would have been
    return_ms : int | None — when the mains came back; before reserve_ms it right-censors the outage. None: it did not
    """

    transfer_ms: int
    reserve_ms: int
    empty_ms: int
    return_ms: int | None

    @property
    def censored(self) -> bool:
        """Whether the mains came back before the reserve floor."""
        return self.return_ms is not None and self.return_ms < self.reserve_ms

    @property
    def end_ms(self) -> int:
        """When the outage ended: at the floor, or by the mains' return."""
        return self.reserve_ms if self.return_ms is None else min(self.return_ms, self.reserve_ms)


@dataclass(frozen=True, slots=True)
class EpisodeWeather:
    """Rain behind an episode.

    rain_mm_per_h : (N,) — intensity in each step of the inflow's grid [mm/h]
    hours_s, hours_mm : (H,) — start [s] and depth [mm] of each whole UTC hour
    """

    storms: tuple[Storm, ...]
    rain_mm_per_h: Array
    hours_s: Array
    hours_mm: Array


@dataclass(frozen=True, slots=True)
class Episode:
    """One simulated outage with its history.

    site : Site — what the engine may know beside the readings
    parameters, truth, house, weather, troubles — what it may not know
    start_ms : int — time 0 of the house's own seconds, UTC milliseconds
    tracks : tuple[Track, ...] — what each sensor reported, its troubles included
    outlooks : tuple[Reading, ...] — rain to come as the weather service told it; empty unless the style has it
    """

    seed: int
    style: Style
    site: Site
    parameters: TwinParameters
    truth: Truth
    start_ms: int
    house: House
    weather: EpisodeWeather
    troubles: Troubles
    tracks: tuple[Track, ...]
    outlooks: tuple[Reading, ...]

    @property
    def readings(self) -> list[Reading]:
        """What the engine would read, in order of arrival."""
        return list(merged(self.site.id, self.tracks, self.outlooks))

    def charge_percent(self, at_ms: int) -> float:
        """Unrounded reported charge [%] at a time in UTC milliseconds."""
        seconds = np.array([(at_ms - self.start_ms) / 1000.0])
        return float(self.parameters.pack.reported_percent(self.house.energy.at(seconds))[0])

    def at_charge_ms(self, percent: float) -> int | None:
        """When, in the outage, the unrounded reported charge first falls to `percent` [%], UTC milliseconds.

        None if it starts below, or never falls to it.
        """
        energy = self.house.energy
        transfer_s = (self.truth.transfer_ms - self.start_ms) / 1000.0
        level = self.parameters.pack.energy_at_percent(percent)
        if float(energy.at(np.array([transfer_s]))[0]) < level:
            return None
        keep = energy.times_s >= transfer_s
        times, left = energy.times_s[keep], energy.left_wh[keep]
        below = np.flatnonzero(left <= level)
        if not below.size:
            return None
        k = max(int(below[0]), 1)
        share = (left[k - 1] - level) / max(left[k - 1] - left[k], 1e-12)
        return self.start_ms + round(1000.0 * float(times[k - 1] + share * (times[k] - times[k - 1])))


def merged(site: str, tracks: tuple[Track, ...], outlooks: tuple[Reading, ...]) -> Iterator[Reading]:
    """Readings of all tracks and outlooks, in order of arrival.

    outlooks : tuple[Reading, ...] — themselves in order of arrival
    """
    if tracks:
        arrived = np.concatenate([t.arrived_ms for t in tracks])
        order = np.argsort(arrived, kind="stable")
        which = np.concatenate([np.full(t.time_ms.size, k) for k, t in enumerate(tracks)])[order].tolist()
        times = np.concatenate([t.time_ms for t in tracks])[order].tolist()
        values = np.concatenate([t.value for t in tracks])[order].tolist()
        arrivals = arrived[order].tolist()
        heads = [(t.sensor.quantity, t.sensor.subject) for t in tracks]
    else:
        which, times, values, arrivals, heads = [], [], [], [], []
    pending = iter(outlooks)
    head = next(pending, None)
    for k, time_ms, value, arrived_ms in zip(which, times, values, arrivals, strict=True):
        while head is not None and head.arrived_ms <= arrived_ms:
            yield head
            head = next(pending, None)
        quantity, subject = heads[k]
        yield Reading(site, quantity, time_ms, value, arrived_ms, subject)
    while head is not None:
        yield head
        head = next(pending, None)


def _draw_troubles(start_s: float, stop_s: float, transfer_s: float, rng: np.random.Generator) -> Troubles:
    gaps = []
    at_s = start_s
    per_day = rng.uniform(0.0, 1.5)
    while per_day > 0.0:
        at_s += float(rng.exponential(DAY_S / per_day))
        if at_s >= stop_s:
            break
        long_s = float(np.exp(rng.normal(np.log(400.0), 1.0)))
        device = str(rng.choice(["", "plug", "pack"]))
        gaps.append(TelemetryGap(at_s, at_s + min(long_s, 5400.0), device))
    steps = []
    if rng.random() < 0.25:
        offset = int(rng.choice([-1, 1]) * rng.integers(1000, 20_000))
        begin = transfer_s + float(rng.uniform(0.0, 3600.0))
        steps.append(
            ClockStep(str(rng.choice(["plug", "pack"])), begin, begin + float(rng.exponential(3600.0)), offset)
        )
    return Troubles(
        gaps=tuple(gaps),
        clock_steps=tuple(steps),
        duplicates=float(rng.choice([0.0, 0.002, 0.02])),
        late=float(rng.choice([0.0, 0.002, 0.01])),
        bad=float(rng.choice([0.0, 0.001])),
        resets_s=(transfer_s + 2.0,) if rng.random() < 0.5 else (),
    )


def _transfer(storms: list[Storm], start_s: float, stop_s: float, rng: np.random.Generator) -> float:
    """When the mains fails, in [start_s, stop_s) or somewhat later [s]: mostly in or after a storm, else at random."""
    hit = [s for s in storms if start_s <= s.start_s < stop_s]
    if hit and rng.random() < 0.85:
        weights = np.array([s.intensity_mm_per_h**2 for s in hit])
        storm = hit[int(rng.choice(len(hit), p=weights / weights.sum()))]
        return storm.start_s + float(rng.exponential(4.0 * 3600.0))
    return float(rng.uniform(start_s, stop_s))


def expected_life_h(truth: TwinParameters, inflow: InflowTruth, from_s: float, energy_wh: float) -> float | None:
    """Hours that an energy lasts at mean power, taken over whole pump cycles and without the sun; None beyond the grid.

    from_s : float — when it begins [s on the episode's own time]
    energy_wh : float — energy at the cells [Wh]
    """
    first = inflow.index(from_s)
    share = np.minimum(inflow.l_per_min[first:] / truth.pump.rate_l_per_min, 1.0)
    inverter = truth.pack.inverter
    rest, both = inverter.dc_w(np.array([truth.loads_mean_w, truth.loads_mean_w + truth.pump.running_w]))
    used = np.cumsum((rest + (both - rest) * share) * (GRID_S / 3600.0))
    at = int(np.searchsorted(used, energy_wh))
    return None if at >= used.size else at * GRID_S / 3600.0


@dataclass(frozen=True, slots=True)
class _Setting:
    """A drawn house and its weather, before anything happens."""

    parameters: TwinParameters
    weather: EpisodeWeather
    inflow: InflowTruth
    transfer_s: float
    life_h: float
    start_ms: int


def _setting(style: Style, days: float, rng: np.random.Generator) -> _Setting:
    """A house whose outage is expected to last SHORTEST_H to LONGEST_H: it is drawn anew until one does.

    days : float — days on mains before the outage
    """
    while True:
        parameters = draw_truth(style, rng)
        day_of_year = float(rng.uniform(0.0, 365.0))
        start_ms = EPOCH_MS + round(day_of_year * DAY_S) * 1000
        grid_start = -SPIN_UP_DAYS * DAY_S
        stop_s = (days + 2.0) * DAY_S + LONGEST_H * 3600.0 * 1.3
        storms = draw_storms(parameters.climate, grid_start, stop_s, day_of_year, rng)
        transfer_s = _transfer(storms, days * DAY_S, (days + 1.5) * DAY_S, rng)
        if transfer_s > (days + 2.0) * DAY_S:
            continue
        count = int((stop_s - grid_start) / GRID_S)
        rain = rain_on_grid(storms, grid_start, count, rng)
        inflow = inflow_from_rain(parameters.catchment, rain, grid_start, day_of_year, rng)
        usable = parameters.pack.charge_limit * parameters.pack.capacity_wh
        usable -= parameters.pack.energy_at_percent(parameters.pack.reserve_percent)
        life_h = expected_life_h(parameters, inflow, transfer_s, usable)
        if life_h is None or not SHORTEST_H <= life_h <= LONGEST_H:
            continue
        hours_s, hours_mm = hourly_mm(rain, grid_start, start_ms)
        weather = EpisodeWeather(tuple(storms), rain, hours_s, hours_mm)
        return _Setting(parameters, weather, inflow, transfer_s, life_h, start_ms)


def _spans(setting: _Setting, history_start_s: float, rng: np.random.Generator) -> tuple[SupplySpan, ...]:
    """The spans: mains, perhaps with an earlier failure in between, then the outage to the end of the grid."""
    transfer_s, life_h = setting.transfer_s, setting.life_h
    edges = [(history_start_s, Supply.MAINS)]
    if rng.random() < 0.35:
        soon = rng.random() < 0.4
        pause_h = float(rng.uniform(0.3, 4.0)) if soon else float(rng.uniform(5.0, 40.0))
        lasted_h = min(float(rng.uniform(0.5, 7.0)), 0.5 * life_h)
        before_s = transfer_s - 3600.0 * (pause_h + lasted_h)
        if before_s > history_start_s + 3600.0:
            edges += [(before_s, Supply.PACK), (transfer_s - 3600.0 * pause_h, Supply.MAINS)]
    edges.append((transfer_s, Supply.PACK))
    grid_stop_s = setting.inflow.start_s + GRID_S * setting.inflow.l_per_min.size - 1.0
    stops = [*(start for start, _ in edges[1:]), grid_stop_s]
    return tuple(SupplySpan(start, stop, supply) for (start, supply), stop in zip(edges, stops, strict=True))


def episode(
    seed: int, styles: tuple[Style, ...] = FULL, *, censored_share: float = 0.2, history: float | None = None
) -> Episode:
    """The episode of a seed. Its style is styles[seed % len(styles)]; the same seed gives the same episode.

    censored_share : float — share of outages that end by the mains' return, 0..1
    history : float | None — days watched before the outage [days]; None: drawn by the style
    """
    style = styles[seed % len(styles)]
    rng = np.random.default_rng([seed, 0x0071])
    days = history_days(style, rng)
    if history is not None:
        days = history
    while True:
        setting = _setting(style, days, rng)
        history_start_s = setting.transfer_s - days * DAY_S
        spans = _spans(setting, history_start_s, rng)
        parameters = setting.parameters
        start_wh = parameters.pack.charge_limit * parameters.pack.capacity_wh
        house = simulate(parameters, spans, setting.inflow, start_wh, setting.start_ms, rng)
        last = house.outages[-1]
        if last.reserve_s is not None and last.empty_s is not None and last.reserve_s - last.start_s > 3600.0:
            break
    return_s = None
    if rng.random() < censored_share:
        return_s = last.start_s + float(rng.uniform(0.15, 0.95)) * (last.reserve_s - last.start_s)
    ms = setting.start_ms
    truth = Truth(
        transfer_ms=ms + round(1000.0 * last.start_s),
        reserve_ms=ms + round(1000.0 * last.reserve_s),
        empty_ms=ms + round(1000.0 * last.empty_s),
        return_ms=None if return_s is None else ms + round(1000.0 * return_s),
    )
    heard_until_s = (truth.end_ms - ms) / 1000.0 if return_s is not None else last.empty_s
    return _reported(seed, style, setting, house, truth, (history_start_s, heard_until_s), rng)


def _reported(
    seed: int,
    style: Style,
    setting: _Setting,
    house: House,
    truth: Truth,
    heard_s: tuple[float, float],
    rng: np.random.Generator,
) -> Episode:
    """The episode as the house's devices told it.

    heard_s : tuple[float, float] — from when until when they are heard [s]
    """
    parameters, start_s, stop_s = setting.parameters, *heard_s
    sensors = draw_sensors(style, parameters.loads, rng)
    transfer_s = (truth.transfer_ms - setting.start_ms) / 1000.0
    troubles = _draw_troubles(start_s, stop_s, transfer_s, rng)
    listed = (*sensors, OUTLOOK_SENSOR) if style is Style.OUTLOOK else sensors
    site = nameplate(f"twin-{seed}", parameters, listed, rng)
    reporter = Reporter(house, parameters, setting.weather.rain_mm_per_h, setting.start_ms)
    tracks = tuple(
        troubled(reporter.reports(sensor, start_s, stop_s, rng), troubles, setting.start_ms, rng) for sensor in sensors
    )
    outlooks: tuple[Reading, ...] = ()
    if style is Style.OUTLOOK:
        outlooks = tuple(outlook_readings(site.id, parameters, setting.weather, setting.start_ms, heard_s, rng))
    return Episode(
        seed, style, site, parameters, truth, setting.start_ms, house, setting.weather, troubles, tracks, outlooks
    )


def outlook_readings(
    site: str,
    parameters: TwinParameters,
    weather: EpisodeWeather,
    start_ms: int,
    heard_s: tuple[float, float],
    rng: np.random.Generator,
) -> Iterator[Reading]:
    """Rain to come as the weather service tells it every OUTLOOK_EVERY_S, in order of arrival.

    site : str — the site's id
    start_ms : int — time 0 of the house's own seconds, UTC milliseconds
    heard_s : tuple[float, float] — from when until when it is told [s]
    """
    at_s = heard_s[0]
    while at_s < heard_s[1]:
        first = int(np.searchsorted(weather.hours_s, at_s))
        ahead = slice(first, first + int(LOOK_AHEAD_H))
        said = outlook(weather.hours_mm[ahead], parameters.outlook_sigma, 0.02, rng)
        arrived_ms = start_ms + round(1000.0 * at_s)
        for hour_s, depth in zip(weather.hours_s[ahead].tolist(), said.tolist(), strict=True):
            yield Reading(site, Quantity.RAIN_EXPECTED, start_ms + round(1000.0 * hour_s), depth, arrived_ms)
        at_s += OUTLOOK_EVERY_S


def sensors_of(drawn: Episode) -> tuple[Sensor, ...]:
    """The sensors behind an episode's tracks."""
    return tuple(track.sensor for track in drawn.tracks)
