"""Motor tables and starting current against NFPA 70 and NEMA MG 1, cell by cell."""

from __future__ import annotations

from itertools import pairwise

import pytest

from forecaster.sizing import motors
from forecaster.sizing.cord import Cord, started_current_a, torque_share

# NFPA 70 Table 430.248, single-phase full-load current: hp -> A at 115, 208, 230 V
TABLE_430_248 = [
    (1 / 6, 4.4, 2.4, 2.2), (1 / 4, 5.8, 3.2, 2.9), (1 / 3, 7.2, 4.0, 3.6),
    (1 / 2, 9.8, 5.4, 4.9), (3 / 4, 13.8, 7.6, 6.9), (1, 16, 8.8, 8.0),
]  # fmt: skip

# NFPA 70 Table 430.251(A), 2008 text: hp -> locked-rotor A at 115, 208, 230 V
TABLE_430_251_A = [(1 / 2, 58.8, 32.5, 29.4), (3 / 4, 82.8, 45.8, 41.4), (1, 96, 53, 48)]

# NFPA 70 Table 430.7(B) = NEMA MG 1: letter -> kVA/hp
TABLE_430_7_B = [
    ("A", 0, 3.14), ("B", 3.15, 3.54), ("C", 3.55, 3.99), ("D", 4.0, 4.49), ("E", 4.5, 4.99), ("F", 5.0, 5.59),
    ("G", 5.6, 6.29), ("H", 6.3, 7.09), ("J", 7.1, 7.99), ("K", 8.0, 8.99), ("L", 9.0, 9.99), ("M", 10.0, 11.19),
    ("N", 11.2, 12.49), ("P", 12.5, 13.99), ("R", 14, 15.99), ("S", 16, 17.99), ("T", 18, 19.99), ("U", 20, 22.39),
]  # fmt: skip


@pytest.mark.parametrize(("horsepower", "at_115", "at_208", "at_230"), TABLE_430_248)
def test_full_load_current_row(horsepower: float, at_115: float, at_208: float, at_230: float) -> None:
    assert motors.full_load_a(horsepower, 115) == at_115
    assert motors.full_load_a(horsepower, 208) == at_208
    assert motors.full_load_a(horsepower, 230) == at_230


@pytest.mark.parametrize(("horsepower", "at_115", "at_208", "at_230"), TABLE_430_251_A)
def test_locked_rotor_row(horsepower: float, at_115: float, at_208: float, at_230: float) -> None:
    assert motors.tabled_locked_rotor_a(horsepower, 115) == at_115
    assert motors.tabled_locked_rotor_a(horsepower, 208) == at_208
    assert motors.tabled_locked_rotor_a(horsepower, 230) == at_230
    full_load = motors.full_load_a(horsepower, 115)
    assert full_load is not None
    assert at_115 == pytest.approx(motors.LOCKED_ROTOR_MULTIPLE * full_load)


def test_locked_rotor_table_starts_at_half_a_horsepower() -> None:
    assert motors.tabled_locked_rotor_a(1 / 3, 115) is None
    full_load = motors.full_load_a(1 / 3, 115)
    assert full_load is not None
    assert motors.LOCKED_ROTOR_MULTIPLE * full_load == pytest.approx(43.2)


@pytest.mark.parametrize(("letter", "low", "high"), TABLE_430_7_B)
def test_code_letter_row(letter: str, low: float, high: float) -> None:
    assert motors.code_letter_kva_per_hp(letter) == (low, high)
    assert motors.code_letter_of(low) == letter
    assert motors.code_letter_of(high) == letter


def test_code_letter_v_is_open_above() -> None:
    assert motors.code_letter_kva_per_hp("V")[0] == 22.4
    assert motors.code_letter_of(40.0) == "V"


def test_code_letters_are_contiguous() -> None:
    """One page in circulation prints H as 7.1 to 7.99, which would leave 6.3 to 7.09 to nobody."""
    ranges = [motors.code_letter_kva_per_hp(letter) for letter in motors.CODE_LETTERS]
    for (_, top), (floor, _) in pairwise(ranges):
        assert floor == pytest.approx(top + 0.01)
    assert not set("IOQ") & set(motors.CODE_LETTERS)


@pytest.mark.parametrize("letter", ["I", "O", "Q", "", "LM", "1"])
def test_letters_outside_the_table_are_refused(letter: str) -> None:
    with pytest.raises(ValueError, match=r"430\.7\(B\)"):
        motors.code_letter_kva_per_hp(letter)


@pytest.mark.parametrize(
    ("letter", "horsepower", "low", "high"),
    [("L", 1 / 3, 26.1, 29.0), ("M", 1 / 2, 43.5, 48.7)],  # 1000 x (kVA/hp) x hp / 115 V
)
def test_locked_rotor_examples(letter: str, horsepower: float, low: float, high: float) -> None:
    least, greatest = motors.locked_rotor_a(letter, horsepower, 115)
    assert least == pytest.approx(low, abs=0.05)
    assert greatest == pytest.approx(high, abs=0.05)


def test_nameplate_third_of_a_horsepower_is_the_tabled_one() -> None:
    assert motors.full_load_a(0.33, 115) == 7.2
    between = motors.full_load_a(0.4, 115)
    assert between is not None
    assert 7.2 < between < 9.8
    assert motors.full_load_a(5.0, 230) is None


def test_least_efficiencies_are_those_of_the_rule() -> None:
    """10 CFR 431.446, capacitor-start, open, 6/4/2 poles."""
    assert motors.SMALL_MOTOR_EFFICIENCY[0.25] == (0.622, 0.685, 0.666)
    assert motors.SMALL_MOTOR_EFFICIENCY[1 / 3] == (0.666, 0.724, 0.705)
    assert motors.SMALL_MOTOR_EFFICIENCY[0.5] == (0.762, 0.762, 0.724)
    assert motors.SMALL_MOTOR_EFFICIENCY[1.0] == (0.811, 0.826, 0.804)


def test_fifty_feet_of_14_awg() -> None:
    """3.07 ohm per 1000 ft, from memory, out and back: 3.0 V at 9.8 A, 18.1 V and 0.71 of the torque at 58.8 A."""
    cord = Cord(14, 50 * 0.3048)
    assert cord.drop_v(9.8) == pytest.approx(3.0, abs=0.05)
    assert cord.drop_v(58.8) == pytest.approx(18.1, abs=0.05)
    assert torque_share(115, cord.drop_v(58.8)) == pytest.approx(0.71, abs=0.005)
    assert started_current_a(58.8, 115, cord) < 58.8


def test_reduced_voltage_start() -> None:
    """Torque goes with voltage squared: 49 % at 70 % voltage (common practice)."""
    assert torque_share(100, 30) == pytest.approx(0.49)


def test_cord_ampacities() -> None:
    """16 AWG carries 13 A, 18 AWG 10 A (NFPA 70 Table 400.5(A)(1))."""
    assert Cord(16, 1).ampacity_a == 13
    assert Cord(18, 1).ampacity_a == 10
