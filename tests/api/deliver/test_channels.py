"""A channel is whole: named, addressed, carried, and in the API; one that is added in part alone is found here."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest

from api.deliver.couriers import carriers_for
from api.http.schemas import NoticeOut
from collector.config.settings import load_installation
from forecaster.alarms.plan import CHANNELS, HUBS, PUSH, addresses_of
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Contact
from forecaster.texts.catalogue import languages, words
from tests.api.delivering import SteppedClock

TO_PEOPLE = CHANNELS - set(HUBS)


@pytest.mark.parametrize("code", languages())
def test_every_channel_has_its_name(code: str) -> None:
    assert all(words(code)(f"channel.{channel}") for channel in CHANNELS)


def test_every_channel_to_people_but_the_browsers_has_an_address_in_the_site_file() -> None:
    texts: dict[str, Any] = {field.name: field.name for field in fields(Contact) if field.type == "str | None"}
    assert {channel for channel, _ in addresses_of(Contact("owner", **texts))} == TO_PEOPLE - {PUSH}


def test_the_api_tells_over_which_channel_people_were_told() -> None:
    assert set(get_args(NoticeOut.model_fields["channel"].annotation)) == TO_PEOPLE


def test_every_channel_has_its_carrier(tmp_path: Path, ledger: Ledger, clock: SteppedClock) -> None:
    (tmp_path / "sites").mkdir()
    (tmp_path / "outlast.toml").write_text('[mail]\nhost = "mail.example.org"\nsender = "pump@example.org"\n')
    made = carriers_for(load_installation(tmp_path), ledger, clock, lambda: None, None)
    assert {carrier.channel for carrier in made} == CHANNELS
    for carrier in made:
        carrier.close()
