"""The page Health: every part with its words and picture, in both languages, and the form that tells of work."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from api.offline.reporting import report_of, told
from api.process.services import Services
from forecaster.domain.longrecord import HousePart, WorkKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.times import DAY_MS
from forecaster.health.pump import Sign
from forecaster.health.season import study_season
from forecaster.health.storm import study_storm
from forecaster.health.studying import study_health
from forecaster.twin.live import larkspur_site
from tests.api.pagesample import client, form_token
from tests.forecaster.health.world import START_MS, Sampling, Truth, record
from tests.scenario import HeldClock, services

DAYS = 150
NOW_MS = START_MS + DAYS * DAY_MS


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    """A house whose line has clogged, studied."""
    folder: Path = tmp_path_factory.mktemp("house")
    site = larkspur_site()
    made = services(folder, {site.id: site}, clock=HeldClock(NOW_MS))
    truth = replace(Truth(), flow=lambda day: 1.0 - 0.4 * np.clip((day - 130.0) / 14.0, 0.0, 1.0))
    made.ledger.save_days(record(truth, Sampling.ON_CHANGE, DAYS, np.random.default_rng(5)))
    study_health(site, made.ledger, NOW_MS)
    study_storm(site, made.ledger, NOW_MS)
    study_season(site, made.ledger, NOW_MS)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("language", "expected"),
    [
        ("en", ("Discharge line", "Flow fell by", "in the way", "The worst hour on record", "Most water comes")),
        ("es", ("Tubería de descarga", "El caudal cayó", "algo estorba", "La peor hora", "más agua entra")),
    ],
)
def test_every_part_has_its_words_and_the_measured_ones_a_picture(
    held: Services, language: str, expected: tuple[str, ...]
) -> None:
    html = client(held).get("/sites/larkspur/health", {"Accept-Language": language}).text
    for text in expected:
        assert text in html
    assert html.count('<section class="part ') == len(HousePart)
    assert html.count('<section class="part"') == 2
    pictures = html.count('class="picture small"')
    assert pictures >= 4
    assert html.count('role="img" aria-label=') >= pictures
    assert 'aria-current="page"' in html


def test_work_told_on_the_page_is_kept(held: Services) -> None:
    browser = client(held)
    token = form_token(browser.get("/sites/larkspur/health").text)
    sent = {"form_token": token, "kind": "new-float", "on": "2026-07-01", "did": "New float"}
    assert browser.post("/sites/larkspur/health/work", sent).status_code == 303
    assert [(work.kind, work.did) for work in held.ledger.work("larkspur")] == [(WorkKind.NEW_FLOAT, "New float")]
    ahead = {**sent, "on": "2190-01-01"}
    assert browser.post("/sites/larkspur/health/work", ahead).status_code == 400
    assert browser.post("/sites/larkspur/health/work", {**sent, "form_token": "x"}).status_code == 403
    assert len(held.ledger.work("larkspur")) == 1


def test_work_is_listed_at_once_and_taken_back(held: Services) -> None:
    """Before a study has looked at it; what a study said of work that is taken back goes with it."""
    browser = client(held)
    sent = {"form_token": form_token(browser.get("/sites/larkspur/health").text), "kind": "cleaned", "on": "2026-07-02"}
    browser.post("/sites/larkspur/health/work", {**sent, "did": "Pit <b>rinsed</b>"})
    html = browser.get("/sites/larkspur/health").text
    assert "2026-07-02: Pit &lt;b&gt;rinsed&lt;/b&gt;" in html
    [told] = [work for work in held.ledger.work("larkspur") if work.did.startswith("Pit")]
    assert browser.post("/sites/larkspur/health/work/undo", {"work": told.id}).status_code == 403
    back = {"form_token": sent["form_token"], "work": told.id}
    assert browser.post("/sites/larkspur/health/work/undo", back).status_code == 303
    assert "rinsed" not in browser.get("/sites/larkspur/health").text
    assert browser.post("/sites/larkspur/health/work/undo", back).status_code == 404


def test_the_report_speaks_with_the_voice_of_the_study(held: Services) -> None:
    report = report_of(held.store, held.ledger, larkspur_site(), START_MS, NOW_MS)
    signs = {finding.sign for finding in report.health.findings}
    assert {Sign.FLOW_FALLING, Sign.LINE} <= signs
    assert Sign.CHECK_VALVE not in signs
    assert report.health.flow is None
    assert all(finding.action for finding in report.health.findings)
    assert isinstance(told(report), str)


def test_history_of_a_year_shows_the_season_beside_the_inflow_and_a_day_does_not(held: Services) -> None:
    """The band is on the picture alone: what the CSV of the inflow gives stays what was measured."""
    run = Run("larkspur", NOW_MS - DAY_MS, NOW_MS - DAY_MS + 12_000, 1.6, 480.0, 490.0, Quantity.PUMP_POWER,
              Supply.MAINS, 12)  # fmt: skip
    held.ledger.record([run])
    pages = client(held)
    year = pages.get("/sites/larkspur/history?span=year", {"Accept-Language": "en"}).text
    assert "Usual for the season" in year
    assert 'class="band second"' in year
    assert "Usual for the season" not in pages.get("/sites/larkspur/history?span=day").text
    assert "Usual for the season" not in pages.get("/sites/larkspur/history/inflow.csv?span=year").text
