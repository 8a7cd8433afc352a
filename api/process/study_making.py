"""A site's studies made one after the other, in this process: for the command, and for the children of workers."""

from __future__ import annotations

from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.site import Site
from forecaster.health.season import study_season
from forecaster.health.storm import study_storm
from forecaster.health.studying import study_health
from forecaster.health.told import HEALTH, SEASON, STORM
from forecaster.live.site_runner import SITE_FAULTS
from forecaster.record.studying import study_days


def made(site: Site, store: ReadingStore, ledger: Ledger, now_ms: int) -> str | None:
    """Make all studies of a site, from the store as it stands, and keep them. None, or why one of them failed.

    Where one fails, its result from before stays and the ledger says why. Errors: StoreError where it cannot.
    """
    kind = "days"
    try:
        study_days(site, store, ledger, now_ms)
        kind = HEALTH
        study_health(site, ledger, now_ms)
        kind = STORM
        study_storm(site, ledger, now_ms)
        kind = SEASON
        study_season(site, ledger, now_ms)
    except SITE_FAULTS as error:
        problem = f"{type(error).__name__}: {error}"
        ledger.fail_study(site.id, kind, problem)
        return problem
    return None
