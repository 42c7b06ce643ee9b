"""Densities, Z and the weighed volume against published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.calc.study.gravimetric import (
    Doubt,
    Volume,
    against,
    air_density_kg_m3,
    water_density_kg_m3,
    weighed_volume,
    z_ml_per_g,
)
from drawmark.calc.study.table import StudyError

# Tanaka et al. 2001, Metrologia 38, 301-309: values of its equation 1, kg/m³.
WATER = {
    0: 999.84283,
    4: 999.97495,
    10: 999.7027,
    15: 999.10257,
    20: 998.20675,
    20.5: 998.10219,
    21: 997.99502,
    22: 997.77298,
    23: 997.54083,
    25: 997.04702,
    30: 995.6488,
    37: 993.32895,
    40: 992.21521,
}
# Z, microlitre/mg, by temperature and pressure in hPa: ISO 8655-6:2002, annex A, as reprinted in
# the operating manual of a pipette maker.
PRESSURES = (800, 853, 907, 960, 1013, 1067)
Z = {
    15: (1.0018, 1.0018, 1.0019, 1.0019, 1.0020, 1.0020),
    20: (1.0026, 1.0027, 1.0027, 1.0028, 1.0029, 1.0029),
    20.5: (1.0027, 1.0028, 1.0028, 1.0029, 1.0030, 1.0030),
    21: (1.0028, 1.0029, 1.0030, 1.0030, 1.0031, 1.0031),
    22: (1.0031, 1.0031, 1.0032, 1.0032, 1.0033, 1.0033),
    23: (1.0033, 1.0033, 1.0034, 1.0035, 1.0035, 1.0036),
    25: (1.0038, 1.0038, 1.0039, 1.0039, 1.0040, 1.0041),
    30: (1.0052, 1.0052, 1.0053, 1.0053, 1.0054, 1.0055),
}


@pytest.mark.parametrize("t", WATER)
def test_water(t: float) -> None:
    assert water_density_kg_m3(t) == pytest.approx(WATER[t], abs=1e-5)


def test_air() -> None:
    """1.1993 kg/m³ at 20 °C, 1013.25 hPa and 50 %: the usual 1.2 kg/m³ of OIML R 111-1."""
    assert air_density_kg_m3(20, 1013.25, 50) == pytest.approx(1.19929, abs=1e-5)


@pytest.mark.parametrize("t", Z)
def test_z_table(t: float) -> None:
    for pressure, printed in zip(PRESSURES, Z[t], strict=True):
        assert z_ml_per_g(t, pressure) == pytest.approx(printed, abs=6e-5)


def test_the_volume_is_mass_times_z() -> None:
    found = weighed_volume(4.9873, 21.3, 1004, 40, doubt=Doubt(0.1))
    assert found.volume_ml == pytest.approx(4.9873 * z_ml_per_g(21.3, 1004, 40), rel=1e-12)
    assert found.standard_uncertainty_ml == pytest.approx(
        math.hypot(*found.budget.values()), rel=1e-9
    )


def test_the_uncertainty_by_trial() -> None:
    """JCGM 101: the same by drawing the inputs at random, with doubts large enough to show."""
    doubt = Doubt(mass_mg=2, temperature_c=1.5, pressure_hpa=40, humidity_percent=20)
    found = weighed_volume(2.0, 22, 1000, 45, doubt=doubt)
    rng = np.random.default_rng(101)
    trials = [
        (2.0 + dm / 1000) * z_ml_per_g(22 + dt, 1000 + dp, 45 + dh)
        for dm, dt, dp, dh in zip(
            rng.normal(0, 2, 4000),
            rng.normal(0, 1.5, 4000),
            rng.normal(0, 40, 4000).clip(-95, 95),
            rng.normal(0, 20, 4000).clip(-45, 55),
            strict=True,
        )
    ]
    assert found.standard_uncertainty_ml == pytest.approx(np.std(trials), rel=0.04)


@given(st.floats(0.01, 100), st.floats(10.5, 29.5), st.floats(700, 1080), st.floats(1.1, 5))
def test_laws(mass_g: float, t: float, pressure_hpa: float, factor: float) -> None:
    """Twice the mass is twice the volume; warmer water and denser air weigh less."""
    doubt = Doubt(0.1)
    one = weighed_volume(mass_g, t, pressure_hpa, doubt=doubt).volume_ml
    more = weighed_volume(mass_g * factor, t, pressure_hpa, doubt=doubt).volume_ml
    assert more == pytest.approx(factor * one, rel=1e-12)
    assert weighed_volume(mass_g, t + 0.5, pressure_hpa, doubt=doubt).volume_ml > one
    assert weighed_volume(mass_g, t, pressure_hpa + 10, doubt=doubt).volume_ml > one
    assert one > mass_g / 1000 * 1000  # no water weighs as much in air as its volume in mL


def test_readings_against_the_weighed_volume() -> None:
    weighed = [Volume(v, 0.001, {}, 1.003) for v in (5.00, 5.02, 4.98, 5.00)]
    found = against([5.05, 5.07, 5.04, 5.04], weighed)
    errors = [0.05, 0.05, 0.06, 0.04]
    assert found.systematic_error_ml == pytest.approx(np.mean(errors))
    assert found.systematic_error_percent == pytest.approx(1.0)
    assert found.random_error_ml == pytest.approx(np.std(errors, ddof=1))
    assert any("Only 4 weighings" in note for note in found.notes)
    coarse = [Volume(v.volume_ml, 0.02, {}, 1.003) for v in weighed]
    notes = against([5.05, 5.07, 5.04, 5.04], coarse).notes
    assert any("finer balance" in note for note in notes)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((0, 20), "not above zero"),
        ((-1, 20), "not above zero"),
        ((1, 45), "0 to 40"),
        ((1, 35), "10 to 30"),
        ((1, 20, 101.3), "hPa"),
        ((1, 20, 1013, 150), "humidity"),
    ],
)
def test_impossible_conditions(arguments: tuple[float, ...], words: str) -> None:
    with pytest.raises(StudyError, match=words):
        weighed_volume(*arguments, doubt=Doubt(0.1))


def test_a_doubt_is_not_negative() -> None:
    with pytest.raises(ValueError, match="mass_mg"):
        Doubt(-1)
    with pytest.raises(StudyError, match="at least twice"):
        against([5.0], [Volume(5.0, 0.001, {}, 1.003)])
