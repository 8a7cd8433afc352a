"""Every kind and its rule."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from forecaster.alarms import rules_channels, rules_health, rules_pump, rules_supply, rules_watch
from forecaster.alarms.evidence import AlarmEvidence, Judgement
from forecaster.domain.alarms import AlarmKind

RULES: Mapping[AlarmKind, Callable[[AlarmEvidence], Judgement]] = {
    AlarmKind.MAINS_LOST: rules_supply.mains_lost,
    AlarmKind.LOW_RESERVE: rules_supply.low_reserve,
    AlarmKind.CRITICAL_RESERVE: rules_supply.critical_reserve,
    AlarmKind.RESERVE_REACHED: rules_supply.reserve_reached,
    AlarmKind.HIGH_WATER: rules_pump.high_water,
    AlarmKind.PUMP_OVERRUN: rules_pump.pump_overrun,
    AlarmKind.PUMP_SILENT: rules_pump.pump_silent,
    AlarmKind.SECOND_PUMP_RUNNING: rules_pump.second_pump_running,
    AlarmKind.RAPID_CYCLING: rules_pump.rapid_cycling,
    AlarmKind.PUMP_POWER_ABNORMAL: rules_pump.pump_power_abnormal,
    AlarmKind.LOAD_AT_RATING: rules_supply.load_at_rating,
    AlarmKind.PACK_OUTPUT_OFF: rules_supply.pack_output_off,
    AlarmKind.PACK_NOT_CHARGING: rules_supply.pack_not_charging,
    AlarmKind.PACK_TEMPERATURE: rules_supply.pack_temperature,
    AlarmKind.TELEMETRY_SILENT: rules_watch.telemetry_silent,
    AlarmKind.CLOCK_SUSPECT: rules_watch.clock_suspect,
    AlarmKind.DELIVERY_FAILING: rules_watch.delivery_failing,
    AlarmKind.TEST_DUE: rules_watch.rehearsal_due,
    AlarmKind.CHANNEL_FAILING: rules_channels.channel_failing,
    AlarmKind.FLOW_LOW: rules_pump.flow_low,
    AlarmKind.WEAR_AHEAD: rules_health.wear_ahead,
    AlarmKind.PACK_FADING: rules_health.pack_fading,
    AlarmKind.CHECK_VALVE_LEAKING: rules_health.check_valve_leaking,
    AlarmKind.FLOAT_STICKING: rules_health.float_sticking,
}
"""The rule of each kind; pure functions of the evidence of one step."""
