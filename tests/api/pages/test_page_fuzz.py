"""Every page with odd addresses, questions and forms: an answer or one clear line, never a 5xx, nothing of the inside.

The pages are not in the OpenAPI document, so their routes are taken from their routers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from api.pages import assets, login, rehearsing, settingup, views
from api.pages.guard import PageRoute
from tests.api.pagesample import Browser, client, forecast, form_token, heard, publish, raise_alarm, runs, site
from tests.scenario import services

ODD = (
    "", "0", "-1", "1e999", "NaN", "é", "\x00", "\u202e", "<b>", "=1+1", "'; --", "../..", "%00", "2026-02-30",
    "2026-03-08T02:30", "9999-12-31T23:59", "0001-01-01T00:00", "larkspur", "x" * 400,
)  # fmt: skip
TEXT = st.one_of(st.sampled_from(ODD), st.text(max_size=40), st.integers().map(str), st.datetimes().map(str))
LISTENING = ("/setup", "/setup/listen")
"""Forms that listen to a broker: tried in a browser, with a real one."""
PLATES = ("pump.rated_voltage_v", "pump.rated_power_w", "pump.rated_current_a", "pack.capacity_wh", "cord_awg", "run_s")


def page_routes() -> list[PageRoute]:
    routers = (assets.router, login.router, rehearsing.router, settingup.router, views.router)
    return [route for router in routers for route in router.routes if isinstance(route, PageRoute)]


def fuzz(browser: Browser, route: PageRoute, form: Mapping[str, str]) -> None:
    """Ask one page some odd things."""
    fields = [field.alias for field in (*route.dependant.query_params, *route.dependant.body_params)]
    names = st.sampled_from([*fields, *PLATES, "load_w0", "until_percent", "token", "alarm"])
    values = st.dictionaries(names, TEXT.map(lambda text: text.encode("utf-8", "replace").decode()), max_size=6)

    @given(path=TEXT, values=values, known=st.booleans())
    @settings(
        max_examples=8, deadline=None, derandomize=True, database=None,
        phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    def ask(path: str, values: dict[str, str], known: bool) -> None:
        filled = route.path.replace("{site}", "larkspur") if known else route.path
        filled = re.sub(r"\{\w+\}", lambda _: quote(path.encode("utf-8", "replace"), safe=""), filled)
        if "GET" in (route.methods or ()):
            answer = browser.get(f"{filled}?{urlencode(values)}")
        else:
            answer = browser.post(filled, {**form, **values})
        assert answer.status_code < 500, (filled, values)
        assert "Traceback" not in answer.text

    ask()


@pytest.mark.slow
def test_no_page_fails_whatever_is_asked(tmp_path: Path) -> None:
    held = services(tmp_path, {"larkspur": site()})
    publish(held, forecast())
    heard(held)
    held.ledger.record(runs())
    alarm = raise_alarm(held)
    browser = client(held)
    form = {"form_token": form_token(browser.get("/sites/larkspur").text), "alarm": alarm.id}
    asked = [route for route in page_routes() if "GET" in (route.methods or ()) or route.path not in LISTENING]
    for route in asked:
        fuzz(browser, route, form)
    held.close()
    assert len(asked) >= 25
