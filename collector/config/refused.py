"""What a validator says of a value that cannot be used: the problem and its mend, apart as in a ConfigError."""

from __future__ import annotations


class Refused(ValueError):
    """A value of a settings or site file that cannot be used.

    problem : str — what is wrong; fix : str — how to mend it, empty where the key's example says it
    """

    def __init__(self, problem: str, fix: str = "") -> None:
        self.problem, self.fix = problem, fix
        super().__init__(f"{problem}; {fix}" if fix else problem)
