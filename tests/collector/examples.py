"""A site and an installation for the collector's tests."""

from __future__ import annotations

from pathlib import Path

from collector.config.settings import Broker
from collector.decode.discovery import Discovery, TopicHeard
from collector.mqtt.listening import listen

LARKSPUR = """
id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"
units = "us"
latitude = 41.9
longitude = -87.7

[pump]
rated_voltage_v = 115
rated_current_a = 5.2
rated_power_w = 480
power_factor = 0.8
horsepower = 0.33
locked_rotor_code = "L"
static_head_m = 2.6
maximum_head_m = 6.5

[pit]
diameter_m = 0.46
drawdown_m = 0.18
freeboard_m = 0.30

[pack]
capacity_wh = 1024
continuous_w = 900
surge_w = 1800
inverter_efficiency = 0.88
idle_w = 9
reserve_percent = 10
extra_capacity_wh = 0

[[loads]]
name = "router"
watts = 12

[[channels]]
quantity = "pump_power"
topic = "cellar/plug/state"
value = "$.power"
unit = "W"
time = "$.time"
format = "auto"
max_silence_s = 180

[[channels]]
quantity = "high_water"
topic = "cellar/float"
true = ["WET", "true", 1]
false = ["DRY", "false", 0]

[alarms]
low_reserve_h = 6
critical_reserve_h = 2

[[contacts]]
name = "owner"
email = "owner@example.org"
minimum_priority = "high"
quiet_hours = "22:00-07:00"

[weather]
url = "https://weather.example.org/hourly?lat=41.9&lon=-87.7"
time = "$.hourly.time[*]"
rain = "$.hourly.rain[*]"
unit = "mm"
"""


def installation_in(folder: Path, broker_url: str = "mqtt://127.0.0.1:1883", site: str = LARKSPUR) -> Path:
    """Write an installation with the one site and give its folder."""
    (folder / "sites").mkdir(parents=True, exist_ok=True)
    (folder / "outlast.toml").write_text(f'[broker]\nurl = "{broker_url}"\n', encoding="utf-8")
    (folder / "sites" / "larkspur.toml").write_text(site, encoding="utf-8")
    return folder


def discover(broker: Broker, listen_s: float) -> tuple[TopicHeard, ...]:
    """What a broker offers, as set-up listens to it."""
    found = Discovery()
    listen(broker, ["#"], listen_s, found.hear)
    return found.topics()
