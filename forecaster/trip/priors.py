"""What is believed of outages, pumps, packs and people before a site has told of its own.

None of it is measured by this program. Where a figure has a source it is named; "from memory" is a figure that was not
looked up again; "a guess" is this project's own, and the answer says so.
"""

from __future__ import annotations

OUTAGES_A_YEAR, OUTAGE_YEARS = 1.3, 1.2
"""Sustained interruptions of a customer a year, and the years of record that this counts for. About 1.0 without and 1.3
to 1.4 with major events in the United States (EIA, IEEE 1366 reporting; from memory)."""

OUTAGE_MEDIAN_H, OUTAGE_COUNTS = 1.2, 6.0
"""Median length [h], and the outages that it counts for. A guess."""

OUTAGE_SPREAD, OUTAGE_SPREAD_COUNTS = 1.5, 20.0
"""Deviation of the logarithm of the length, and the outages that it counts for. With 1.3 a year all this gives 8.7 h a
year in the mean over places, where EIA gives 4.7 to 11 h from 2017 to 2024. Counted for 6 as the median is, the spread
may be so wide that the mean has no end. The shape is a guess."""

SUSTAINED_H = 5.0 / 60.0
"""Shorter ones are momentary (IEEE 1366) and carry no weight here [h]."""

STORM_FOR, STORM_AGAINST = 3.0, 3.0
"""Outages with and without a storm, as if so many had been seen. A guess."""

STORM_LONGER = 1.5
"""Factor by which outages in storms last longer than the median, and others shorter. A guess."""

STORM_WET = 0.8
"""In a storm, the inflow during an outage is that of a day wetter than this share of all days. A guess."""

PUMP_FAILS, PUMP_SPREAD = 0.10, 0.5
"""Pumps that die or clog a year, and the deviation of its logarithm: a life of about ten years. Common practice, no
source."""

FLOAT_FAILS, FLOAT_SPREAD = 0.06, 0.6
"""The same of floats. A guess; floats are commonly said to fail first."""

WEAR = {"good": 1.0, "unknown": 1.0, "watch": 2.0, "act": 6.0}
"""Factor by which a part fails more often, by the state that the long record gives it. A guess."""

PACK_HELD, PACK_FAILED = 30.0, 1.0
"""Transfers that the pack carried, and that it failed, as if so many had been seen. A guess."""

PACK_DECAYS, PACK_SPREAD = 0.06, 0.6
"""Hidden faults of pack, inverter and cords a year since they last carried the pump, and the spread. A guess."""

NEVER_PROVEN_DAYS = 730.0
"""A pack that has never carried the pump counts as last proven this long ago [days]. A guess."""

TAIL_RATE, TAIL_SPREAD, TAIL_SCALE = 0.02, 1.2, 0.2
"""Hours a year that bring more than the pump lifts, the deviation of its logarithm, and the scale of the excess as a
share of the pump's rate, where the record does not tell. A guess."""

FREEBOARD_MIN, FREEBOARD_SPREAD = 0.35, 0.7
"""How long the pump at full rate would take to fill the freeboard [min], where pit or pump are not known. A guess."""

DUTY, DUTY_SPREAD, DAY_SPREAD = 0.02, 1.2, 0.6
"""Share of time that a pump runs, its spread between houses and from day to day, with nothing on record. A guess."""

HOUR_SPREAD = 0.35
"""How an hour's inflow strays from its day's: deviation of the natural logarithm. A guess."""

THERE = 0.7
"""Chance that somebody who could come is near the phone and the car. A guess."""

NOTICE_H, REACH_SPREAD = 0.25, 0.4
"""Time until a message is read [h], and the spread of the hours to reach. A guess."""

HEARD_BEST = 0.9
"""Share of the alarms that reach somebody, of a house that is heard all the time. A guess."""

SAVES = {"outage": 0.5, "pump": 0.6, "inflow": 0.25, "pack": 0.5}
"""Chance that somebody who comes in time keeps the floor dry, by cause: with a bucket, spare pump or charged pack.
A guess."""

SAVES_GENERATOR = {"outage": 0.9, "pump": 0.6, "inflow": 0.25, "pack": 0.9}
"""The same with a generator at the house."""

SECOND_PUMP_TOO = 0.1
"""Share of a pump's failures that also take the second pump beside it. A guess."""

NEW_FLOAT = 0.5
"""How often a new float fails, as a share of how often all do. A guess."""
