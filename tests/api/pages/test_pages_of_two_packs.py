"""A house with a pack for each of two pumps: what the pages of sizing and rehearsal take and ask of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest

from api.process.services import Services
from forecaster.domain.site import Pack, Site
from forecaster.sizing.answer import size
from forecaster.sizing.question import Question
from forecaster.sizing.told import range_h
from forecaster.texts.catalogue import words
from tests.api.pagesample import Tags, client
from tests.forecaster.sizing.test_one_a_pump import PACK, house
from tests.scenario import services

ASKED = {"cycles_per_hour": "20", "run_s": "10"}


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    made = services(tmp_path, {"larkspur": apart()})
    yield made
    made.close()


def apart(pack: Pack = PACK) -> Site:
    """A pack for each pump; metric, so that the form is as the file."""
    return replace(house(pack, PACK), latitude=41.9, longitude=-87.7)


def page(held: Services, given: Mapping[str, str]) -> str:
    return Tags(client(held).get(f"/sites/larkspur/sizing?{urlencode(given)}", {"accept-language": "en"}).text).text


def form_of(held: Services) -> dict[str, str]:
    """What the form holds as it is first shown."""
    tags = Tags(client(held).get("/sites/larkspur/sizing", {"accept-language": "en"}).text)
    inputs = (held_by for tag, held_by in tags.tags if tag == "input" and held_by.get("type") != "checkbox")
    return {one["name"] or "": one["value"] or "" for one in inputs if one.get("value") and "name" in one}


def test_each_pump_is_held_against_its_own_pack(held: Services) -> None:
    """In: the form as it comes, and with a smaller pack. Out: the hours of both pumps, each on its own pack."""
    form = form_of(held) | ASKED
    assert form["pack.capacity_wh"] == "1024"
    for capacity_wh in (1024.0, 700.0):
        told = page(held, form | {"pack.capacity_wh": f"{capacity_wh:g}"})
        sized = size(apart(replace(PACK, capacity_wh=capacity_wh)), Question(20.0, 10.0))
        assert words().again(range_h(sized.hours_remaining)) in told
        assert "on pack left" in told
        assert "right: one more pack like this one" in told


def test_a_rehearsal_asks_for_the_plugs_of_both(held: Services) -> None:
    told = Tags(client(held).get("/sites/larkspur/discharge", {"accept-language": "en"}).text).text
    assert "Pull the plug of each pack, and no other" in told
    assert "the pack alone" not in told


def test_a_panel_is_weighed_by_where_the_house_stands(held: Services) -> None:
    told = page(held, form_of(held) | ASKED | {"sun_w": "200"})
    assert "latitude" not in told
    assert "200 W" in told
