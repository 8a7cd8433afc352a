"""Outages in a house whose physics nobody here wrote: EPA SWMM's water, PyBaMM's cells, measured rain."""
