"""English: every word of times, ranges and units, of alarms, and of mails that people read."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

WORDING: Mapping[str, str] = MappingProxyType(
    {
        "weekdays": "Mon Tue Wed Thu Fri Sat Sun",
        "months": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
        "clock": "{hour:02d}:{minute:02d}",
        "clock.zone": "{clock} {zone}",
        "clock.weekday": "{weekday} {clock}",
        "clock.date": "{day} {month} {clock}",
        "clock.year": "{day} {month} {year} {clock}",
        "until": "until about {middle}, between {early} and {late}",
        "until.open": "until about {middle}, at least {early}",
        "until.point": "until about {middle}",
        "until.early": "at least until about {early}",
        "until.beyond": "for more than {span}",
        "until.now": "no longer than a few minutes",
        "until.unknown": "for a time not known",
        "at": "about {middle}, between {early} and {late}",
        "at.open": "about {middle}, not before {early}",
        "at.point": "about {middle}",
        "at.early": "not before about {early}",
        "at.now": "within a few minutes",
        "at.unknown": "at a time not known",
        "range": "{low} to {high}",
        "range.open": "more than {low}",
        "seconds": "{n} s",
        "minutes": "{n} min",
        "hours": "{n} h",
        "hours.minutes": "{hours} h {minutes} min",
        "days": "{n} days",
        "ago": "{span} ago",
        "ago.never": "never",
        "ago.now": "just now",
        "unknown": "not known",
        "percent": "{n} %",
        "watts": "{n} W",
        "kilowatts": "{n} kW",
        "watt_hours": "{n} Wh",
        "kilowatt_hours": "{n} kWh",
        "celsius": "{n} °C",
        "fahrenheit": "{n} °F",
        "metres": "{n} m",
        "inches": "{n} in",
        "litres_per_minute": "{n} L/min",
        "gallons_per_minute": "{n} gal/min",
        "litres": "{n} L",
        "gallons": "{n} gal",
        "millimetres": "{n} mm",
        "rain_inches": "{n} in",
        "none": "none",
        "and": "{first} and {last}",
    }
)

ALARMS: Mapping[str, str] = MappingProxyType(
    {
        # headlines: what happened and until when, fit for a lock screen beside the site's name
        "mains-lost": "Mains lost {since}; the pack lasts {until}.",
        "mains-lost.inferred": "Mains seems lost since {since}; the pack lasts {until}.",
        "mains-lost.cleared": "Mains back at {returned} after {lasted}; pack at {charge}{full}.",
        "low-reserve": "Pack running low: it lasts {until} (mains out since {since}).",
        "low-reserve.cleared": "More time again: the pack lasts {until}.",
        "low-reserve.cleared.mains": "Mains is back; the pack is at {charge}{full}.",
        "critical-reserve.cleared.mains": "Mains is back; the pack is at {charge}{full}.",
        "critical-reserve": "Pack nearly used up: it lasts {until}.",
        "critical-reserve.cleared": "A little more time: the pack lasts {until}.",
        "reserve-reached": "Pack down to its {reserve} floor; empty {empty}.",
        "reserve-reached.cleared": "Pack above its {reserve} floor again, at {charge}.",
        "high-water": "HIGH WATER in the pit since {seen}{freeboard}.",
        "high-water.cleared": "Water is below the high-water float again.",
        "pump-overrun": "Pump running without a stop for {running}; normal is {run_normal}.",
        "pump-overrun.cleared": "The pump has stopped; it ran for {run_last}.",
        "pump-silent.mains": "Mains is on, yet the pump seems dead: a run is overdue, the last was {last_run}.",
        "pump-silent.pack": "Pump not running: a run is overdue, the last was {last_run}{freeboard}.",
        "pump-silent.cleared": "The pump runs again.",
        "rapid-cycling": "Pump has started {starts} times an hour for hours; a busy hour here has {starts_normal}.",
        "rapid-cycling.short": "Pump starts {starts} times an hour, in short runs of {run_recent}: water may run back.",
        "rapid-cycling.cleared": "The pump starts as often as usual again.",
        "pump-power-abnormal.high": "Pump draws {run_watts}, normally {watts_normal}: it may be labouring.",
        "pump-power-abnormal.low": "Pump draws {run_watts}, normally {watts_normal}: it may be moving no water.",
        "pump-power-abnormal.cleared": "Pump power is normal again.",
        "load-at-rating": "Pump power sits at the pack's rating of {rating}; the true power may be higher.",
        "load-at-rating.cleared": "Pump power is below the pack's rating again.",
        "pack-output-off.pack": "The pack carries nothing, though it holds {charge}: its output is off.",
        "pack-output-off.mains": "Mains is back, but the pack's output is still off: the pump has no power.",
        "pack-output-off.cleared": "The pack carries its load again.",
        "pack-not-charging": "Pack not charging: it stays at {charge}. In an outage now it would last {until}.",
        "pack-not-charging.cleared": "The pack is charging, or full enough, again.",
        "pack-temperature": "Pack is at {warmth}; it should stay below {warm_limit}.",
        "pack-temperature.cold": "Pack is at {warmth}: too cold to be charged.",
        "pack-temperature.cleared": "Pack temperature is fine again, at {warmth}.",
        "telemetry-silent.mains": "No word since {heard}. If the mains failed then, the pack lasts {until}.",
        "telemetry-silent.pack": "No word since {heard}, on the pack. Projected to last {until}.",
        "telemetry-silent.empty": "No word since {heard}; the pack was all but empty, so the pump has likely stopped.",
        "telemetry-silent.part": "No word of {quiet} since {quiet_since}; the rest of the house is heard.",
        "telemetry-silent.never": "No word from the house yet: no reading has come in.",
        "telemetry-silent.frozen": "The {frozen} readings have stood still; the forecast rests on the last good ones.",
        "telemetry-silent.trouble": "Readings cannot be taken in: {trouble}.",
        "telemetry-silent.cleared": "Word from the house again{supply}.",
        "clock-suspect": "The clock cannot be trusted: {clock}.",
        "clock-suspect.cleared": "The clock can be trusted again.",
        "delivery-failing": "Messages by {channels} have not gone out since {failing}.",
        "delivery-failing.cleared": "Messages go out on every channel again.",
        "test-due": "The last discharge test was {tested}: time for another.",
        "test-due.first": "The pack has never been tested with this pump.",
        "test-due.cleared": "A discharge test has been done.",
        # additions to headlines
        "full": ", full about {full}",
        "freeboard": "; the floor may be wet in {minutes}",
        "on-pack": "; it is on the pack, which lasts {until}",
        "on-mains": "; the mains is on",
        "reminder": "Still: {headline}",
        # what to do, and by when
        "by": "By {time}",
        "by-now": "Now",
        "mains-lost.action": "{by}: ask the utility how long it will be and decide whether to bring power.",
        "low-reserve.action": "{by}: switch off other loads on the pack, and have a generator or charged pack "
        "brought. {generator}",
        "critical-reserve.action": "{by}: get a generator or charged pack to the pump, or someone to the house. "
        "{generator}",
        "reserve-reached.action": "Now: get power to the pump, or bail if it is safe. {water} {generator}",
        "high-water.action": "Now: have someone look from the stairs. {water} If the pump is dead, start a second one.",
        "pump-overrun.action": "{by}: look whether water is falling. If not, unplug the pump from a dry place: the"
        " float may be stuck, the discharge blocked or frozen. {water}",
        "pump-silent.mains.action": "{by}: reset the GFCI outlet or breaker of the pump, once, standing dry. If it"
        " trips again, leave it off and call a licensed electrician. {water}",
        "pump-silent.pack.action": "{by}: look whether the pack's output is on, the plug is in and the float moves"
        " freely. {water}",
        "rapid-cycling.action": "Within a day: have the check valve and the float switch looked at. {water}",
        "pump-power-abnormal.action": "Within a day: have the inlet, the impeller and the discharge looked at, with "
        "the pump unplugged. {water}",
        "load-at-rating.action": "Take other loads off the pack; check with `outlast size` that the pack can run and "
        "start this pump.",
        "pack-output-off.pack.action": "{by}: switch the pack's output on by hand, and switch off any sleep or "
        "low-load timer in its settings. {water}",
        "pack-output-off.mains.action": "{by}: switch the pack's output on by hand, or plug the pump straight into"
        " a grounded GFCI outlet. {water}",
        "pack-not-charging.action": "{by}: check that the pack's cord is in, its outlet live and charging not "
        "limited or too cold.",
        "pack-temperature.action": "Give it air and shade. If it swells, smells or smokes: keep away, and call the "
        "fire service.",
        "pack-temperature.cold.action": "Bring it above {freezing} before it must be charged. Never warm it with a "
        "flame.",
        "telemetry-silent.action": "{by}: call the house or a neighbour: is the power on, does the pump run? The "
        "router belongs on the pack.",
        "telemetry-silent.frozen.action": "{by}: restart the plug or its hub; the pump's own outlet stays on.",
        "telemetry-silent.part.action": "{by}: look whether that device has power and network; the rest of the "
        "house is heard.",
        "telemetry-silent.never.action": "{by}: check that the house's devices and broker are on; `outlast check` "
        "tells of each channel.",
        "telemetry-silent.trouble.action": "{by}: look at the computer that runs Outlast: disk space, broker, network.",
        "clock-suspect.action": "Check the network time service of the computer that runs Outlast.",
        "delivery-failing.action": "Check the settings of {channels}: {error}",
        "test-due.action": "Plan a discharge test in dry weather, with the real cord and someone at home.",
        "cleared.action": "Nothing to do.",
        # cautions
        "generator": "Generators stay outdoors, 20 ft (6 m) or more from the house, exhaust away, and never feed house "
        "wiring.",
        "water": "Never step into water near outlets, cords or the pack.",
        # what happens if nobody acts
        "mains-lost.consequence": "The pack drains; when it is empty the pump stops.",
        "low-reserve.consequence": "The pack reaches its floor within hours and the pump stops.",
        "critical-reserve.consequence": "The pump is about to stop and the basement to flood.",
        "reserve-reached.consequence": "The pack runs empty and the basement floods.",
        "high-water.consequence": "The floor gets wet within minutes.",
        "pump-overrun.consequence": "The pump overheats and fails, or the water is already gaining.",
        "pump-silent.consequence": "The pit fills and the floor gets wet, mains or not.",
        "rapid-cycling.consequence": "The motor wears out early and the pack drains faster.",
        "pump-power-abnormal.consequence": "A pump about to fail, or one that moves no water.",
        "load-at-rating.consequence": "The pack may trip at the next start, and the forecast is too hopeful.",
        "pack-output-off.consequence": "The pump has no power although there is charge left.",
        "pack-not-charging.consequence": "The next outage starts with a pack that is not full.",
        "pack-temperature.consequence": "The pack ages, refuses to charge or to carry, or is a fire risk.",
        "telemetry-silent.consequence": "Nobody knows how the house is; an outage may go unseen.",
        "clock-suspect.consequence": "Times in forecasts and messages may be wrong.",
        "delivery-failing.consequence": "The next alarm may not reach you by that way.",
        "test-due.consequence": "The forecast rests on a capacity that nobody has measured lately.",
        # responses as the table states them
        "mains-lost.response": "ask the utility; decide whether to bring power",
        "low-reserve.response": "shed other loads; have a generator or charged pack brought",
        "critical-reserve.response": "get power to the pump, or someone to the house",
        "reserve-reached.response": "get power to the pump at once",
        "high-water.response": "look from a dry place; start a second pump",
        "pump-overrun.response": "look whether water falls; unplug from a dry place if not",
        "pump-silent.response": "reset the GFCI once, standing dry; check output, plug, float",
        "rapid-cycling.response": "have check valve and float switch looked at",
        "pump-power-abnormal.response": "have inlet, impeller, discharge looked at",
        "load-at-rating.response": "take other loads off; check the sizing",
        "pack-output-off.response": "switch the output on; switch its sleep timer off",
        "pack-not-charging.response": "check cord, outlet, charging limits",
        "pack-temperature.response": "give it air; keep away if it swells or smokes",
        "telemetry-silent.response": "call the house or a neighbour",
        "clock-suspect.response": "check the time service",
        "delivery-failing.response": "check that channel's settings",
        "test-due.response": "plan a discharge test in dry weather",
    }
)

MAIL: Mapping[str, str] = MappingProxyType(
    {
        "language": "en",
        "action": "What to do:",
        "consequence": "If nobody acts:",
        "by": "Act by:",
        "acknowledge": "I have seen this",
        "acknowledge.effect": "This stops the reminders.",
        "page": "The site now",
        "footer": "{site}, {priority} priority, {id}",
        "caution": "Outlast estimates; it can be wrong. It is no life-safety device and replaces no high-water alarm. "
        "In case of doubt keep out of the water, and call a licensed electrician or plumber.",
        "test": "Test: {site}",
    }
)
