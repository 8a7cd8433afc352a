"""A simulated site with known truth, rich enough to fool, and fast enough to tune with.

`episode(seed)` draws a site, its weather and its troubles and gives what the engine would read, with the truth;
`forecaster.twin.live.LiveSite` steps the same site live. Nothing here knows how the forecast is made.
"""
