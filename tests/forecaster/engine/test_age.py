"""What silence costs: the pump's draw widens with the age of what is known of it, up to a limit."""

from __future__ import annotations

import numpy as np
import pytest

from forecaster.engine.outlook import Age, _aged

HOUR_S = 3600.0


def spread(age_h: float | None, *, silent: bool = True) -> float:
    """Standard deviation of the log of the energy ahead, after so many hours without the pump."""
    age = Age(None if age_h is None else age_h * HOUR_S, silent, False)
    factor = _aged(None, age, 7)
    return 0.0 if factor is None else float(np.std(np.log(factor)))


@pytest.mark.parametrize(("age_h", "said"), [(1.0, 0.12), (4.0, 0.24), (16.0, 0.48), (60.0, 0.93), (400.0, 1.0)])
def test_the_spread_grows_as_the_root_of_the_age(age_h: float, said: float) -> None:
    """A random walk of the log: 0.12 after an hour, at most 1 (this project's own choice, no source)."""
    assert spread(age_h) == pytest.approx(said, rel=0.05)


def test_what_is_heard_or_was_never_heard_is_as_wide_as_it_is() -> None:
    assert spread(4.0, silent=False) == 0.0
    assert spread(None) == 0.0
