"""A simulated site whose truth is known, rich enough to mislead a forecast and fast enough to tune one with.

`forecaster.twin.episode.episode(seed)` draws a site, its weather and its troubles, and gives what the engine would read
beside what is true. `forecaster.twin.live.LiveSite` steps one fixed site through simulated time.
Nothing here knows how the forecast is made.
"""
