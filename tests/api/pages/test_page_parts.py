"""The parts that pages are made of: clock marks, water from cycles, words, forms, icons."""

from __future__ import annotations

import re
import struct
import zlib
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.pages import icons
from api.pages.frame import Frame, Lane, local_time, ticks
from api.pages.guard import masked, unmasked
from api.pages.pen import draw
from api.pages.picture import NARROW, WIDE, Dot, PictureContents, Series, draw_picture, together
from api.pages.siteform import number_in
from api.pages.strip import StripData, lying, nice, standing
from api.pages.stripdata import StripWindow, in_hundred, strip_words
from forecaster.domain.errors import UsageError
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import SeriesPoint
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Pit
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import words
from forecaster.texts.wording import Wording
from forecaster.water.by_runs import hourly_depth, inflow_steps, resampled
from tests.api.pagesample import site
from tests.scenario import NOW_MS

CHICAGO = ZoneInfo("America/Chicago")
ROOT = Path(__file__).resolve().parents[3]
GALLON_L = 3.785411784


def day(zone: ZoneInfo, year: int, month: int, number: int) -> tuple[int, int]:
    start = datetime(year, month, number, tzinfo=zone)
    end = datetime(year, month, number, tzinfo=zone) + timedelta(days=1)
    return round(start.timestamp() * 1000), round(end.timestamp() * 1000)


@pytest.mark.parametrize(("month", "number", "hours"), [(3, 8, 23), (11, 1, 25), (3, 3, 24)])
def test_a_day_has_the_hours_it_had(month: int, number: int, hours: int) -> None:
    """Clocks in the US change on the second Sunday of March and the first of November (15 U.S.C. 260a)."""
    start, end = day(CHICAGO, 2026, month, number)
    marks = ticks(start, end - 1, CHICAGO, 30)
    assert len(marks) == hours
    assert {b.at_ms - a.at_ms for a, b in pairwise(marks)} == {HOUR_MS}
    named = [mark.local.hour for mark in marks]
    assert named.count(2) == (0 if hours == 23 else 1)
    assert named.count(1) == (2 if hours == 25 else 1)


@given(
    st.integers(1_600_000_000, 1_900_000_000),
    st.floats(0.5, 9000.0),
    st.sampled_from(["America/Chicago", "Asia/Kathmandu", "Australia/Lord_Howe", "Europe/London", "UTC"]),
    st.integers(2, 20),
)
def test_marks_rise_stay_on_the_paper_and_are_few(start_s: int, hours: float, zone: str, most: int) -> None:
    start, end = start_s * 1000, start_s * 1000 + round(hours * HOUR_MS)
    found = ticks(start, end, ZoneInfo(zone), most)
    assert all(start <= mark.at_ms <= end for mark in found)
    assert all(a.at_ms < b.at_ms for a, b in pairwise(found))
    assert len(found) <= most + 3
    assert all(mark.local.minute == 0 for mark in found)


@given(st.integers(0, 10_000), st.integers(1, 10_000), st.integers(-5000, 20_000), st.booleans())
def test_what_is_drawn_stays_on_the_paper(start: int, length: int, at: int, tall: bool) -> None:
    frame = Frame(start, start + length, 10.0, 90.0, tall)
    assert 10.0 <= frame.along(at) <= 90.0
    lane = Lane(0.0, 100.0, 200.0, 20.0)
    assert lane.across(-5.0) == 200.0
    assert lane.across(105.0) == 20.0


def a_run(start_s: float, run_s: float, samples: int = 9, *, cut: bool = False) -> Run:
    start = round(start_s * 1000)
    return Run(
        "larkspur", start, start + round(run_s * 1000), None, None, None, Quantity.PUMP_RUNNING, Supply.MAINS, samples,
        start_censored=cut,
    )  # fmt: skip


def test_inflow_of_a_worked_cycle() -> None:
    """An 18 in pit with 8 in of drawdown holds 8.813 US gal; 300 s off and 25 s on: 1.763 gpm in, 22.91 gpm out.

    The cycle formula V = t q / 4 and its parts: UFC 3-240-04A, chapter 7; figures worked by hand from it.
    """
    pit = Pit(area_m2=3.141592653589793 * (9 * 0.0254) ** 2, drawdown_m=8 * 0.0254)
    volume_l = pit.drawdown_l
    assert volume_l is not None
    assert volume_l / GALLON_L == pytest.approx(8.813, abs=0.001)
    steps, in_litres = inflow_steps([a_run(0, 25), a_run(325, 25)], pit, None)
    assert in_litres
    assert [step[:2] for step in steps] == [(0, 325_000)]
    assert steps[0][2] == pytest.approx(1.763 * GALLON_L, rel=1e-3)
    by_rate, _ = inflow_steps([a_run(0, 25), a_run(325, 25)], Pit(), 22.91 * GALLON_L)
    assert by_rate[0][2] == pytest.approx(steps[0][2], rel=2e-3)


def test_nothing_is_drawn_across_a_gap() -> None:
    steps, _ = inflow_steps([a_run(0, 10), a_run(300, 10, cut=True), a_run(600, 10)], Pit(0.166, 0.18), None)
    assert [start for start, _, _ in steps] == [300_000]
    dots = [Dot(k * 10, k * 10 + 10, 1.0, 1.0, 1.0) for k in (0, 1, 2, 9, 10)]
    assert [len(group) for group in together(dots)] == [3, 2]


@given(st.lists(st.floats(0.1, 50.0), min_size=1, max_size=40), st.integers(1, 60))
def test_thinning_keeps_the_water_that_came(rates: list[float], bins: int) -> None:
    steps = [(k * 1000, k * 1000 + 1000, rate) for k, rate in enumerate(rates)]
    thinned = resampled(steps, 0, len(steps) * 1000, bins)
    came = sum((stop - start) * rate for start, stop, rate in steps)
    width = len(steps) * 1000 / bins
    assert sum(width * rate for _, _, rate in thinned) == pytest.approx(came)


def test_rain_adds_up_by_the_hour() -> None:
    points = [SeriesPoint(HOUR_MS + k * 600_000, 1, 0.2, 0.2, 0.2) for k in range(9)]
    (first, _, much), (second, _, less) = hourly_depth(points)
    assert (first, second) == (HOUR_MS, 2 * HOUR_MS)
    assert much == pytest.approx(1.2)
    assert less == pytest.approx(0.6)


def test_a_run_of_ten_seconds_stays_visible_in_a_year() -> None:
    """One bucket of a year holds 36 hours; its greatest value is drawn as high as it was."""
    year_ms = 365 * 24 * HOUR_MS
    width = year_ms // 240
    dots = [Dot(k * width, (k + 1) * width, 0.0, 512.0 if k == 100 else 0.0, 0.01) for k in range(240)]
    scene = PictureContents(
        "power", "Power", "", 0, year_ms, CHICAGO, [Series("Pump", "first", dots)], [], lambda v: f"{v:.0f} W",
        lambda local: local.strftime("%H"), lambda local: local.strftime("%d"),
    )  # fmt: skip
    for sheet in (WIDE, NARROW):
        band = re.search(r'class="band first" d="([^"]+)"', draw_picture(scene, sheet))
        assert band is not None
        heights = [float(y) for y in re.findall(r",(-?[\d.]+)", band[1])]
        foot, top = sheet.height - 30, 16
        assert min(heights) == pytest.approx(foot - (foot - top) * 512 / nice(512), abs=0.2)
        assert heights.count(min(heights)) == 2  # both corners of the one bucket


@given(st.floats(1e-6, 1e6))
def test_a_scale_ends_on_a_round_number_at_or_above(most: float) -> None:
    top = nice(most)
    assert top >= most
    assert f"{top:.0e}"[0] in "125"


@pytest.mark.parametrize(("chance", "said"), [(1.0, ">99"), (0.996, ">99"), (0.464, "46"), (0.004, "<1"), (0.0, "<1")])
def test_a_chance_is_never_said_to_be_sure(chance: float, said: str) -> None:
    assert in_hundred(chance, words()) == said


@given(st.binary(min_size=32, max_size=32))
def test_a_mask_comes_off_again(token: bytes) -> None:
    assert unmasked(masked(token.hex())) == token.hex()


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("18 in", "m", 0.4572), ("0.46", "m", 0.46), ("1,5 kWh", "Wh", 1500.0), ("10 %", "percent", 10.0)],
)
def test_a_field_takes_a_unit_of_its_own(text: str, unit: str, value: float) -> None:
    """An inch is 25.4 mm (NIST SP 811, appendix B)."""
    assert number_in(text, unit, "pit.diameter_m") == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "unit"), [("wide", "m"), ("3 kg", "m"), ("", "m"), ("nan", "m"), ("1e999", "m"), ("5 m", "")]
)
def test_a_field_that_is_no_number_is_refused_by_name(text: str, unit: str) -> None:
    with pytest.raises(UsageError, match=r"pit\.diameter_m"):
        number_in(text, unit, "pit.diameter_m")


def same_drawing(*names: str) -> None:
    for name in names:
        assert icons.png(icons.picture(*icons.DRAWN[name])) == (icons.STATIC / f"{name}.png").read_bytes(), name


def test_icons_are_what_the_script_draws() -> None:
    same_drawing("icon-192")
    assert icons.svg() == (icons.STATIC / "icon.svg").read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_large_icons_are_what_the_script_draws(tmp_path: Path) -> None:
    """As the small one is; and the script writes these and no others."""
    same_drawing("icon-512", "icon-mask")
    icons.write(tmp_path)
    assert {made.name for made in tmp_path.iterdir()} == {made.name for made in icons.STATIC.glob("icon*")}


def test_an_icon_is_a_png_by_the_standard() -> None:
    """W3C PNG, third edition: signature, chunks with their CRC, rows as long as the header says."""
    data = (icons.STATIC / "icon-192.png").read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    chunks, at = {}, 8
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + length]
        assert struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + body)
        chunks[kind] = body
        at += 12 + length
    assert struct.unpack(">IIBBBBB", chunks[b"IHDR"]) == (192, 192, 8, 2, 0, 0, 0)
    assert len(zlib.decompress(chunks[b"IDAT"])) == 192 * (1 + 3 * 192)


def test_local_time_is_the_sites() -> None:
    assert local_time(1_772_535_966_000, CHICAGO).isoformat() == "2026-03-03T05:06:06-06:00"


@pytest.mark.parametrize("minutes", range(0, 24 * 60, 20))
def test_now_and_a_day_are_never_written_over_each_other(minutes: int) -> None:
    """At any time of day, on the lying and the standing strip; a letter is taken for 9 px at most of 14 px type."""
    now_ms = NOW_MS // (24 * HOUR_MS) * 24 * HOUR_MS + minutes * 60_000
    view = StripWindow(now_ms, now_ms - 8 * HOUR_MS, now_ms + 14 * HOUR_MS)
    data = StripData(
        now_ms=now_ms, start_ms=view.start_ms, end_ms=view.end_ms, zone=CHICAGO, charge=(), fan=(), survival=(),
        mains=(), runs=(), water=(), water_ahead=(), in_litres=True, rain=(), rain_ahead=(), reserve_percent=10.0,
        reserve_at=(None, None, None), events=(),
    )  # fmt: skip
    said = strip_words(site(), Wording.of(site()), words(), view, "", True)
    for layout, axis, room in ((lying, "x", 9.0), (standing, "y", 0.0)):
        drawn = draw(data, said, layout(view.start_ms, view.end_ms))
        found = re.findall(
            r'<text x="([\d.-]+)" y="([\d.-]+)" class="(now-name|day-name|tick)" text-anchor="(\w+)">([^<]+)', drawn
        )
        spans = [
            (float(x) - (len(text) * room if anchor == "end" else 0.0), float(x), len(text) * room, float(y), kind)
            for x, y, kind, anchor, text in found
        ]
        now = next(span for span in spans if span[4] == "now-name")
        for span in spans:
            if span is now or (axis == "x" and span[4] == "tick"):
                continue
            if axis == "y":
                assert span[1] > 40.0 or abs(span[3] - now[3]) >= 14.0
            else:
                assert span[0] + span[2] <= now[0] + 1.0 or now[0] + now[2] <= span[0] + 1.0
