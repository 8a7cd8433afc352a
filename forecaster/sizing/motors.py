"""Single-phase motor tables: full-load current, locked-rotor current, code letters, efficiencies.

Sources: NFPA 70 (National Electrical Code) Tables 430.248, 430.251(A) and 430.7(B); 10 CFR 431.446.
The full-load table is for choosing conductors and is conservative: it is never a measured running current.
"""

from __future__ import annotations

from bisect import bisect_right
from fractions import Fraction

from forecaster.pack.nameplate import TYPICAL_EFFICIENCY

LOCKED_ROTOR_MULTIPLE = 6.0
"""Locked-rotor over full-load current; at 115 V NFPA 70 Table 430.251(A) is this multiple of Table 430.248."""

LEAST_MULTIPLE, GREATEST_MULTIPLE = 4.0, 8.0
"""Starting current of small single-phase motors as a multiple of full load. Common practice, no source."""

_HP = (Fraction(1, 6), Fraction(1, 4), Fraction(1, 3), Fraction(1, 2), Fraction(3, 4), Fraction(1))
_VOLTAGES = (115.0, 208.0, 230.0)

FULL_LOAD_A: dict[float, tuple[float, ...]] = {
    115.0: (4.4, 5.8, 7.2, 9.8, 13.8, 16.0),
    208.0: (2.4, 3.2, 4.0, 5.4, 7.6, 8.8),
    230.0: (2.2, 2.9, 3.6, 4.9, 6.9, 8.0),
}
"""NFPA 70 Table 430.248: full-load current [A] by voltage [V], one figure for each of HORSEPOWERS."""

HORSEPOWERS: tuple[float, ...] = tuple(float(h) for h in _HP)
"""1/6, 1/4, 1/3, 1/2, 3/4 and 1 hp: the columns of FULL_LOAD_A."""

LOCKED_ROTOR_A: dict[float, dict[float, float]] = {
    115.0: {0.5: 58.8, 0.75: 82.8, 1.0: 96.0},
    208.0: {0.5: 32.5, 0.75: 45.8, 1.0: 53.0},
    230.0: {0.5: 29.4, 0.75: 41.4, 1.0: 48.0},
}
"""NFPA 70 Table 430.251(A): locked-rotor current [A] by voltage [V] and horsepower [hp]; it starts at 1/2 hp."""

CODE_LETTERS = "ABCDEFGHJKLMNPRSTUV"
"""Code letters of NFPA 70 Table 430.7(B), the same as in NEMA MG 1; there is no I, O or Q."""

_CODE_FLOORS = (
    0.0, 3.15, 3.55, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.2, 12.5, 14.0, 16.0, 18.0, 20.0, 22.4,
)  # fmt: skip
_CODE_TOPS = (
    3.14, 3.54, 3.99, 4.49, 4.99, 5.59, 6.29, 7.09, 7.99, 8.99, 9.99, 11.19, 12.49, 13.99, 15.99, 17.99, 19.99, 22.39,
)  # fmt: skip

OPEN_V_TOP = 25.0
"""Upper end taken for letter V, which the table leaves open ("22.4 and up") [kVA/hp]. Own assumption."""

SMALL_MOTOR_EFFICIENCY: dict[float, tuple[float, float, float]] = {
    0.25: (0.622, 0.685, 0.666),
    float(Fraction(1, 3)): (0.666, 0.724, 0.705),
    0.5: (0.762, 0.762, 0.724),
    1.0: (0.811, 0.826, 0.804),
}
"""10 CFR 431.446: least efficiency, 0..1, of capacitor-start open motors with 6, 4 and 2 poles, by horsepower [hp]."""


def voltage_class(voltage_v: float) -> float:
    """The nearest voltage of the tables [V] to a system voltage [V]: 115, 208 or 230."""
    return min(_VOLTAGES, key=lambda v: abs(v - voltage_v))


def nearest_horsepower(horsepower: float) -> float | None:
    """The horsepower of the tables within 6 % of a rating [hp], so that 0.33 is 1/3 hp; None where there is none."""
    best = min(HORSEPOWERS, key=lambda h: abs(h - horsepower))
    return best if abs(best - horsepower) <= 0.06 * best else None


def full_load_a(horsepower: float, voltage_v: float) -> float | None:
    """Full-load current [A] at a rating [hp] and a voltage [V] by NFPA 70 Table 430.248; None outside the table.

    Between two horsepowers of the table the current is interpolated.
    """
    row = FULL_LOAD_A[voltage_class(voltage_v)]
    known = nearest_horsepower(horsepower)
    if known is not None:
        return row[HORSEPOWERS.index(known)]
    if not HORSEPOWERS[0] <= horsepower <= HORSEPOWERS[-1]:
        return None
    right = bisect_right(HORSEPOWERS, horsepower)
    share = (horsepower - HORSEPOWERS[right - 1]) / (HORSEPOWERS[right] - HORSEPOWERS[right - 1])
    return row[right - 1] + share * (row[right] - row[right - 1])


def tabled_locked_rotor_a(horsepower: float, voltage_v: float) -> float | None:
    """Locked-rotor current [A] at a rating [hp] and a voltage [V] by NFPA 70 Table 430.251(A), or None."""
    known = nearest_horsepower(horsepower)
    return None if known is None else LOCKED_ROTOR_A[voltage_class(voltage_v)].get(known)


def code_letter_kva_per_hp(letter: str) -> tuple[float, float]:
    """Least and greatest locked-rotor power of a code letter [kVA/hp], by NFPA 70 Table 430.7(B).

    Errors: ValueError for a letter that is not in the table.
    """
    index = CODE_LETTERS.find(letter.upper()) if len(letter) == 1 else -1
    if index < 0:
        raise ValueError(f"{letter!r} is not a code letter of NFPA 70 Table 430.7(B)")
    top = _CODE_TOPS[index] if index < len(_CODE_TOPS) else OPEN_V_TOP
    return _CODE_FLOORS[index], top


def code_letter_of(kva_per_hp: float) -> str:
    """The code letter that a locked-rotor power [kVA/hp] falls under, by NFPA 70 Table 430.7(B).

    Errors: ValueError for a negative power.
    """
    if kva_per_hp < 0:
        raise ValueError("kVA per horsepower cannot be negative")
    return CODE_LETTERS[bisect_right(_CODE_FLOORS, kva_per_hp) - 1]


def locked_rotor_a(letter: str, horsepower: float, voltage_v: float) -> tuple[float, float]:
    """Least and greatest locked-rotor current of a code letter [A]: 1000 x (kVA/hp) x hp / V.

    horsepower : float — rating [hp]
    voltage_v : float — rated voltage [V], above 0
    Errors: ValueError for a letter that is not in the table.
    """
    low, high = code_letter_kva_per_hp(letter)
    return 1000.0 * low * horsepower / voltage_v, 1000.0 * high * horsepower / voltage_v


def efficiency_band(horsepower: float) -> tuple[float, float, float]:
    """Least, likeliest and greatest efficiency, 0..1, of a small pump motor of this rating [hp].

    The greatest is the best of 10 CFR 431.446 for the nearest rating. Small submersible pumps often have shaded-pole or
    permanent-split-capacitor motors, which lie well below it; 0.6 of it as the least is common practice, no source.
    """
    nearest = min(SMALL_MOTOR_EFFICIENCY, key=lambda h: abs(h - horsepower))
    best = max(SMALL_MOTOR_EFFICIENCY[nearest])
    return 0.6 * best, max(0.6 * best, min(TYPICAL_EFFICIENCY, best)), best
