"""Hands what the daily study learns of a site's season to its engine, once for each study."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from forecaster.domain.ports import Ledger
from forecaster.health.told import SEASON, season_study
from forecaster.live.site_runner import SITE_FAULTS, SiteRunner

LOOK_S = 60.0
"""How often newer studies are looked for [s]."""

HAND_S = 5.0
"""How often it is asked which runner was not told of the newest one yet: with thousands of sites that takes a while
[s]."""


class SeasonView:
    """Studies of the season as the ledger has them. Owned by the forecaster's thread."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._looked_s = self._handed_s = float("-inf")
        self._studied: dict[str, int] = {}

    def step(self, runners: Iterable[SiteRunner], blame: Callable[[SiteRunner, Exception], None]) -> None:
        """Hand over what is newer than a runner was told; a site whose study cannot be read does not hold up others.

        blame : called with a runner whose study cannot be used, and why. Errors: StoreError.
        """
        now_s = time.monotonic()
        if now_s - self._handed_s < HAND_S:
            return
        if now_s - self._looked_s >= LOOK_S:
            self._studied = self._ledger.studied(SEASON)
            self._looked_s = now_s
        self._handed_s = now_s
        for runner in runners:
            made_ms = self._studied.get(runner.site.id)
            if made_ms is None or made_ms == runner.season_ms:
                continue
            try:
                study = season_study(self._ledger, runner.site.id)
                if study is not None:
                    runner.expect_season(study)
            except SITE_FAULTS as error:
                blame(runner, error)
            runner.season_ms = made_ms
