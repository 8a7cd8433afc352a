"""The exception tree: every error carries its facts as attributes and says in one line what, where, how to mend.

OutlastError
├── ConfigError      a settings or site file is wrong (file, key, problem, fix)
├── UsageError       a command, query or argument cannot be taken (problem, fix)
│   └── Conflict           not as things stand now: another time it could be
├── PayloadError     a message cannot become a reading (reason)
├── SnapshotError    a saved state cannot be restored (reason)
├── StoreError       a store cannot do what it was asked
│   ├── StoreUnavailable   it may work later: retry
│   │   ├── StaleLease          another member carries that now: drop it (names)
│   │   └── LedgerBehind        it is there for this release only once that has started
│   └── StoreRefused       it never will: quarantine, do not retry
├── SessionError     the broker refuses us (reason)
├── FitError         a model could not be fitted; the caller falls back and says degraded
└── NotFound         no such site, alarm, test or token (what)
"""

from __future__ import annotations


class OutlastError(Exception):
    """Base of all errors this program raises on purpose."""


class ConfigError(OutlastError):
    """A settings or site file is wrong: file, key in dotted form, what is wrong, how to mend it."""

    def __init__(self, file: str, key: str, problem: str, fix: str) -> None:
        self.file, self.key, self.problem, self.fix = file, key, problem, fix
        where = f"{file}: {key}" if key else file
        super().__init__(f"{where}: {problem}; {fix}")


class UsageError(OutlastError):
    """A command, query or argument cannot be taken."""

    def __init__(self, problem: str, fix: str) -> None:
        self.problem, self.fix = problem, fix
        super().__init__(f"{problem}; {fix}")


class Conflict(UsageError):
    """What is asked cannot be done as things stand now."""


class PayloadError(OutlastError):
    """A message, or a part of one, cannot become a reading."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class SnapshotError(OutlastError):
    """A saved state cannot be restored."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class StoreError(OutlastError):
    """A store cannot do what it was asked."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class StoreUnavailable(StoreError):
    """It may work later: keep what was to be written, and retry."""


class StaleLease(StoreUnavailable):
    """Nothing was written, for the lease under which it was to be written is another member's by now.

    names : tuple[str, ...] — of the leases
    """

    def __init__(self, names: tuple[str, ...], reason: str) -> None:
        self.names = names
        super().__init__(reason)


class LedgerBehind(StoreUnavailable):
    """Nothing was looked at, for the ledger is of an older release, or is not there yet; a look leaves it so.

    version : int — of its tables; 0 where there is none
    """

    def __init__(self, version: int, reason: str) -> None:
        self.version = version
        super().__init__(reason)


class StoreRefused(StoreError):
    """It never will work for this input: quarantine it, do not retry."""


class SessionError(OutlastError):
    """The broker refuses the session or a subscription."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class FitError(OutlastError):
    """A model could not be fitted, or its fit is out of bounds."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class NotFound(OutlastError):
    """No such thing."""

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__(f"no such {what}")
