"""The port to those who are informed at once of what the forecaster does."""

from __future__ import annotations

from typing import Protocol

from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast


class Publisher(Protocol):
    """Passes on at once what the forecaster does. It must neither block nor raise."""

    @property
    def listening(self) -> bool:
        """Whether anybody listens; otherwise readings need not be published."""
        ...

    def reading(self, reading: Reading) -> None:
        """A reading was folded."""
        ...

    def forecast(self, stored: StoredForecast) -> None:
        """A forecast was published in the ledger."""
        ...

    def alarm(self, transition: AlarmTransition) -> None:
        """A transition of an alarm was committed."""
        ...
