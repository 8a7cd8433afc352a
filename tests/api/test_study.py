"""`outlast study`: days are added up in steps and kept, and a site that fails is named and recorded."""

from __future__ import annotations

import pytest

from api.cli import main
from api.process.services import Services
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_text
from forecaster.record import studying
from forecaster.record.daily import fresh_days
from forecaster.twin.live import larkspur_site
from tests.api.studied import LATER_MS
from tests.scenario import NOW_MS

LATER = time_text(LATER_MS)


def _fails(*_: object) -> None:
    raise StoreUnavailable("the disk is away")


def test_on_demand_a_failed_site_is_named_and_recorded(
    two_days_later: Services, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    call = ("study", "larkspur", "--at", LATER, "--config", str(two_days_later.installation.folder))
    assert main(call) == 0
    with monkeypatch.context() as broken:
        broken.setattr(studying, "fresh_days", _fails)
        assert main(call) == 1
    assert "larkspur" in capsys.readouterr().err
    record = two_days_later.ledger.study("larkspur", "days")
    assert record is not None
    assert record.problem is not None
    assert record.made_ms == LATER_MS // 1000 * 1000
    assert main(call) == 0
    mended = two_days_later.ledger.study("larkspur", "days")
    assert mended is not None
    assert mended.problem is None
    assert main(("study", "elsewhere", "--config", str(two_days_later.installation.folder))) == 2


def test_days_added_up_in_steps_are_those_of_one_go(two_days_later: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    site = larkspur_site()
    end_ms = NOW_MS + 9 * DAY_MS
    whole = fresh_days(site, two_days_later.store, two_days_later.ledger, end_ms)
    monkeypatch.setattr(studying, "STEP_MS", DAY_MS)
    studying.add_up_days(site, two_days_later.store, two_days_later.ledger, end_ms)
    assert two_days_later.ledger.days("larkspur", 0, end_ms) == whole
    assert len(whole) >= 9
