"""Wrong use of a sizing: one line that names the field and how to mend it; and how answers read."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.errors import UsageError
from forecaster.domain.site import Load, Pack, Pump, Site
from forecaster.sizing.answer import document, size
from forecaster.sizing.cord import Cord
from forecaster.sizing.options import Change
from forecaster.sizing.pipe import Pipe
from forecaster.sizing.question import Question
from forecaster.sizing.terms import Band
from forecaster.sizing.told import told

PUMP = Pump(rated_voltage_v=115, rated_current_a=(5.2, 5.2), rated_power_w=480, horsepower=0.33, locked_rotor_code="L")
PACK = Pack(1024, 900, 1800)
EU_PACK = Pack(1024, output_voltage_v=230)
SITE = Site("s", "s", "UTC", PUMP, PACK)
HALF_KEPT = replace(SITE, pack=replace(PACK, reserve_percent=60))
TOO_HIGH = replace(SITE, pump=replace(PUMP, static_head_m=7, maximum_head_m=6))
ASKED = Question(20, 10)

WRONG: list[tuple[str, Site, Question]] = [
    ("run_s: 0 s", SITE, Question(20, 0)),
    ("run_s: -3 s", SITE, Question(20, -3)),
    ("run_s: missing", SITE, Question(20)),
    ("cycles_per_hour: missing", SITE, Question(run_s=10)),
    ("cycles_per_hour: 0", SITE, Question(0, 10)),
    ("run_s: 400 runs", SITE, Question(400, 10)),
    ("running_w: -1 W", SITE, Question(20, 10, running_w=-1)),
    ("cycles_per_hour: nan", SITE, Question(float("nan"), 10)),
    ("pump.rated_voltage_v: missing", replace(SITE, pump=Pump(horsepower=0.5)), ASKED),
    ("pump: no current, power or horsepower", replace(SITE, pump=Pump(rated_voltage_v=115)), ASKED),
    ("pump.rated_voltage_v: a 120 V pump", Site("s", "s", "UTC", Pump(120, (5, 5)), EU_PACK), ASKED),
    ("pump.static_head_m: -1 m is negative", replace(SITE, pump=replace(PUMP, static_head_m=-1)), ASKED),
    ("pump.static_head_m: 7 m is not below", TOO_HIGH, ASKED),
    ("pump.maximum_head_m: -6 m", replace(SITE, pump=replace(PUMP, maximum_head_m=-6)), ASKED),
    ("pump.power_factor: 1.4", replace(SITE, pump=replace(PUMP, power_factor=1.4)), ASKED),
    ("pump.rated_current_a: 9 is above 4", replace(SITE, pump=replace(PUMP, rated_current_a=(9, 4))), ASKED),
    ("pump.rated_current_a: 0 A", replace(SITE, pump=replace(PUMP, rated_current_a=(0, 4))), ASKED),
    ("pump.rated_power_w: 900 W is more than", replace(SITE, pump=replace(PUMP, rated_power_w=900)), ASKED),
    ("pump.locked_rotor_code: 'I'", replace(SITE, pump=replace(PUMP, locked_rotor_code="I")), ASKED),
    ("pump.locked_rotor_current_a: 0 A", replace(SITE, pump=replace(PUMP, locked_rotor_current_a=0)), ASKED),
    ("pack.capacity_wh: 0 Wh", replace(SITE, pack=Pack(0)), ASKED),
    ("pack.surge_w: 500 W is below", replace(SITE, pack=Pack(1024, 900, 500)), ASKED),
    ("pack.inverter_efficiency: 88", replace(SITE, pack=replace(PACK, inverter_efficiency=88)), ASKED),
    ("pack.idle_w: -1 W", replace(SITE, pack=replace(PACK, idle_w=-1)), ASKED),
    ("pack.reserve_percent: 120 %", replace(SITE, pack=replace(PACK, reserve_percent=120)), ASKED),
    ("pack.reserve_percent: 60% is not below the charge", HALF_KEPT, Question(20, 10, charge_percent=50)),
    ("charge_percent: 130 %", SITE, Question(20, 10, charge_percent=130)),
    ("cord_awg: 13", SITE, Question(20, 10, cord=Cord(13, 10))),
    ("cord_length_m: 0 m", SITE, Question(20, 10, cord=Cord(14, 0))),
    ("pipe_bore_m: 0 m", SITE, Question(20, 10, pipe=Pipe(0, 10))),
    ("temperature_c: 90", SITE, Question(20, 10, temperature_c=90)),
    ("for_hours: -4 h", SITE, Question(20, 10, for_hours=-4)),
    ("for_hours: 900 h is beyond", SITE, Question(20, 10, for_hours=900)),
    ("probability: 1", SITE, Question(20, 10, for_hours=4, probability=1.0)),
    ("loads.freezer.watts: -5 W", replace(SITE, loads=(Load("freezer", -5),)), ASKED),
    ("loads: none is described", SITE, Question(pump=False)),
]  # fmt: skip


@pytest.mark.parametrize(("names", "site", "question"), WRONG, ids=[w[0] for w in WRONG])
def test_wrong_use_names_its_field_in_one_line(names: str, site: Site, question: Question) -> None:
    with pytest.raises(UsageError) as caught:
        size(site, question)
    assert caught.value.problem.startswith(names)
    assert caught.value.fix
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("names", "change"), [("latitude: missing", Change(sun_w=100)), ("pack.charge_w: missing", Change(generator_h=2))]
)
def test_a_what_if_that_cannot_be_answered(names: str, change: Change) -> None:
    with pytest.raises(UsageError, match=names):
        size(SITE, ASKED, change)


def test_one_voltage_class_is_taken() -> None:
    """115 V motors on 120 V packs are the usual case (NEMA MG 1 allows 10 % either way)."""
    assert size(replace(SITE, pack=replace(PACK, output_voltage_v=120)), ASKED).can_run.answer == "yes"
    stretched = size(replace(SITE, pack=replace(PACK, output_voltage_v=100)), ASKED)
    assert any("10%" in caution for caution in stretched.cautions)


def test_bands_do_not_cross() -> None:
    with pytest.raises(ValueError, match="cross"):
        Band(2, 1, 3)


def test_text_begins_with_the_verdict_and_holds_every_step() -> None:
    sizing = size(SITE, ASKED)
    text = told(sizing)
    assert text.splitlines()[0] == sizing.verdict
    assert all(step.name in text and step.formula in text for step in sizing.steps)
    assert all(caution in text for caution in sizing.cautions)
    said = " ".join(sizing.cautions)
    for word in ("ground-fault", "cord", "water", "life-safety", "code", "electrician"):
        assert word in said


def test_document_has_the_fields_people_script_against() -> None:
    found = document(size(SITE, ASKED, Change(extra_wh=500), [("other", Pack(2048, 1800, 3600))]))
    assert found["can_run"] in {"yes", "no", "unproven"}
    assert found["can_start"] in {"yes", "no", "unproven"}
    assert found["can_keep_up"] in {"yes", "no", "unproven"}
    assert set(found["why"]) == {"can_run", "can_start", "can_keep_up"}
    assert list(found["hours_remaining"]) == ["p05", "p10", "p25", "p50", "p75", "p90", "p95"]
    levels = list(found["hours_remaining"].values())
    assert levels == sorted(levels)
    assert all(set(step) == {"name", "formula", "value", "unit"} for step in found["steps"])
    assert [pack["name"] for pack in found["packs"]] == ["this pack", "other"]


def test_no_rhythm_is_the_live_forecast_before_its_first_cycle() -> None:
    """With nothing described the range is the specification basis: wide, and without a simple estimate."""
    known, unknown = size(SITE, ASKED), size(SITE, Question())
    assert unknown.simple_estimate_h is None
    wide, narrow = unknown.hours_remaining, known.hours_remaining
    assert wide.p10 is not None
    assert wide.p90 is not None
    assert narrow.p10 is not None
    assert narrow.p90 is not None
    assert wide.p90 / wide.p10 > 1.5 * narrow.p90 / narrow.p10
