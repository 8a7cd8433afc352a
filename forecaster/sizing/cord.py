"""Extension cords: resistance, voltage drop, the starting torque left behind one, and the current it may carry."""

from __future__ import annotations

from dataclasses import dataclass

FEET_PER_M = 1.0 / 0.3048

OHM_PER_1000_FT: dict[int, float] = {10: 1.21, 12: 1.93, 14: 3.07, 16: 4.89, 18: 7.77}
"""Uncoated stranded copper [ohm per 1000 ft], NFPA 70 chapter 9 Table 8, from memory."""

AMPACITY_A: dict[int, float] = {10: 30.0, 12: 20.0, 14: 15.0, 16: 13.0, 18: 10.0}
"""Two current-carrying conductors in a flexible cord [A], NFPA 70 Table 400.5(A)(1); 10 to 14 AWG from memory,
where the plug or the overcurrent device usually limits first."""


@dataclass(frozen=True, slots=True)
class Cord:
    """An extension cord between the pack and the pump.

    awg : int — conductor gauge, one of 10, 12, 14, 16, 18
    length_m : float — one way [m], above 0
    """

    awg: int
    length_m: float

    @property
    def resistance_ohm(self) -> float:
        """Resistance of both conductors, out and back [ohm]."""
        return 2.0 * self.length_m * FEET_PER_M * OHM_PER_1000_FT[self.awg] / 1000.0

    @property
    def ampacity_a(self) -> float:
        """Current that the cord may carry continuously [A]."""
        return AMPACITY_A[self.awg]

    def drop_v(self, current_a: float) -> float:
        """Voltage lost along the cord [V] at a current [A]; taken as in phase with the supply, so an upper bound."""
        return current_a * self.resistance_ohm


def torque_share(voltage_v: float, drop_v: float) -> float:
    """Share of the starting torque left at the motor, 0..1: the square of its share of the voltage.

    voltage_v : float — at the outlet [V], above 0
    drop_v : float — lost along the cord [V]; at or above voltage_v nothing is left
    """
    return (max(0.0, voltage_v - drop_v) / voltage_v) ** 2


def started_current_a(locked_rotor_a: float, voltage_v: float, cord: Cord) -> float:
    """Locked-rotor current [A] through a cord, which lowers it. The standing motor is taken as a fixed resistance.

    locked_rotor_a : float — without the cord [A], above 0
    voltage_v : float — at the outlet [V]
    """
    return voltage_v / (voltage_v / locked_rotor_a + cord.resistance_ohm)
