"""Friction in the discharge pipe, and the flow that a pump reaches through it.

For water in smooth pipe, Hazen-Williams and Darcy-Weisbach (with the Swamee-Jain friction factor) agree within a few
per cent. The sizing uses Hazen-Williams; Darcy-Weisbach is there to check it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

L_PER_GALLON = 3.785411784
M_PER_INCH = 0.0254
GRAVITY_M_PER_S2 = 9.80665
WATER_VISCOSITY_M2_PER_S = 1.139e-6
"""Kinematic viscosity of water at 15 °C [m²/s]."""

SMOOTH_PIPE_M = 1.5e-6
"""Wall roughness of drawn plastic pipe [m]."""


@dataclass(frozen=True, slots=True)
class Pipe:
    """A discharge pipe.

    bore_m : float — inner diameter [m]
    length_m : float — length, with the usual allowance for bends and the check valve [m]
    hazen_williams_c : float — roughness coefficient C: 150 for smooth plastic, about 100 for old steel
    """

    bore_m: float
    length_m: float
    hazen_williams_c: float = 150.0


def friction_head_m(pipe: Pipe, flow_l_per_min: float) -> float:
    """Friction head [m] at a flow [L/min] by Hazen-Williams in US form.

    Feet in 100 ft: 0.2083 (100/C)^1.852 q^1.852 / d^4.8655, q in US gal/min, d in inches.
    """
    flow, bore = flow_l_per_min / L_PER_GALLON, pipe.bore_m / M_PER_INCH
    per_hundred = 0.2083 * math.pow(100.0 / pipe.hazen_williams_c * flow, 1.852) / math.pow(bore, 4.8655)
    return per_hundred * pipe.length_m / 100.0


def darcy_head_m(pipe: Pipe, flow_l_per_min: float, roughness_m: float = SMOOTH_PIPE_M) -> float:
    """Friction head [m] at a flow [L/min] by Darcy-Weisbach with the Swamee-Jain friction factor (turbulent flow).

    roughness_m : float — of the pipe's wall [m]
    """
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
    """Flow [L/min] and total head [m] at which the pump's curve meets static head plus friction.

    The curve is taken as H = Hmax (1 - (Q/Qmax)²), through the flow given at the static head.
    static_head_m : float — height that the water is lifted [m], 0 or more and below maximum_head_m
    maximum_head_m : float — head at which flow ceases [m]
    flow_at_static_l_per_min : float — the pump's flow at the static head, without the pipe [L/min]
    """
    greatest_flow = flow_at_static_l_per_min / math.sqrt(1.0 - static_head_m / maximum_head_m)

    def surplus_m(flow: float) -> float:
        offered = maximum_head_m * (1.0 - (flow / greatest_flow) ** 2)
        return offered - static_head_m - friction_head_m(pipe, flow)

    from scipy.optimize import brentq  # 20 MB, only once a pipe is asked about

    flow = float(brentq(surplus_m, 0.0, greatest_flow))
    return flow, static_head_m + friction_head_m(pipe, flow)
