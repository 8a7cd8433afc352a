"""A pack to weigh from another file: one pack, or several that are one together; packs of two pumps are not one."""

from __future__ import annotations

import pytest

from api.offline.sizing_inputs import pack_from
from forecaster.domain.errors import ConfigError

SEVERAL = {"packs": [{"id": "left", "capacity_wh": 1000}, {"id": "right", "capacity_wh": 3000}]}


def test_packs_that_feed_one_pump_are_one_pack() -> None:
    assert pack_from({**SEVERAL, "pack_arrangement": "parallel"}, "other.toml").capacity_wh == 4000.0


def test_packs_of_two_pumps_are_refused_with_one_line() -> None:
    with pytest.raises(ConfigError, match="name a file with the one pack to weigh"):
        pack_from({**SEVERAL, "pack_arrangement": "one_a_pump"}, "other.toml")
