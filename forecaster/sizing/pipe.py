"""Friction in the discharge pipe, and where pump and pipe meet.

Hazen-Williams and Darcy-Weisbach (Swamee-Jain friction factor) say the same within a few percent for water in
smooth pipe; the sizing uses the first, the second is its check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

GRAVITY_M_PER_S2 = 9.80665
WATER_VISCOSITY_M2_PER_S = 1.0e-6
"""Kinematic viscosity of water at 20 °C [m²/s], rounded."""

SMOOTH_PIPE_M = 1.5e-6
"""Wall roughness of drawn plastic pipe [m]."""


@dataclass(frozen=True, slots=True)
class Pipe:
    """A discharge pipe.

    bore_m : float — inner diameter [m]
    length_m : float — with the usual allowance for bends and the check valve [m]
    hazen_williams_c : float — 150 for smooth plastic, about 100 for old steel
    """

    bore_m: float
    length_m: float
    hazen_williams_c: float = 150.0


def friction_head_m(pipe: Pipe, flow_l_per_min: float) -> float:
    """Friction head [m] at a flow [L/min] by Hazen-Williams: 10.67 L q^1.852 / (C^1.852 d^4.8704), q in m³/s."""
    flow = flow_l_per_min / 60_000.0
    per_c = math.pow(flow / pipe.hazen_williams_c, 1.852)
    return 10.67 * pipe.length_m * per_c / math.pow(pipe.bore_m, 4.8704)


def darcy_head_m(pipe: Pipe, flow_l_per_min: float, roughness_m: float = SMOOTH_PIPE_M) -> float:
    """Friction head [m] at a flow [L/min] by Darcy-Weisbach with the Swamee-Jain friction factor (turbulent flow)."""
    if flow_l_per_min == 0:
        return 0.0
    speed = flow_l_per_min / 60_000.0 / (math.pi * pipe.bore_m**2 / 4.0)
    reynolds = speed * pipe.bore_m / WATER_VISCOSITY_M2_PER_S
    factor = 0.25 / math.pow(math.log10(roughness_m / (3.7 * pipe.bore_m) + 5.74 / reynolds**0.9), 2)
    return float(factor) * pipe.length_m / pipe.bore_m * speed**2 / (2.0 * GRAVITY_M_PER_S2)


def water_power_w(flow_l_per_min: float, head_m: float) -> float:
    """Power in the lifted water [W]: density x g x flow x head."""
    return 1000.0 * GRAVITY_M_PER_S2 * flow_l_per_min / 60_000.0 * head_m


def operating_point(
    static_head_m: float, maximum_head_m: float, flow_at_static_l_per_min: float, pipe: Pipe
) -> tuple[float, float]:
    """Flow [L/min] and total head [m] where the pump's curve meets static head plus friction.

    The curve is taken as H = Hmax (1 - (Q/Qmax)²), fixed by the flow at the static head.
    """
    greatest_flow = flow_at_static_l_per_min / math.sqrt(1.0 - static_head_m / maximum_head_m)

    def surplus_m(flow: float) -> float:
        offered = maximum_head_m * (1.0 - (flow / greatest_flow) ** 2)
        return offered - static_head_m - friction_head_m(pipe, flow)

    flow = float(brentq(surplus_m, 0.0, greatest_flow))
    return flow, static_head_m + friction_head_m(pipe, flow)
