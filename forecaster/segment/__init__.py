"""Readings to runs of the pump and energy at its plug, from whatever the site measures, best available first.

`Segmenter` is the whole of it; the other modules are its parts, one idea each.
"""

from forecaster.segment.counter import EnergyCounter
from forecaster.segment.meter import Meter
from forecaster.segment.rhythm import Rhythm
from forecaster.segment.segmenter import Segmenter
from forecaster.segment.tracker import Draft, Tracker

__all__ = [
    "Draft",
    "EnergyCounter",
    "Meter",
    "Rhythm",
    "Segmenter",
    "Tracker",
]
