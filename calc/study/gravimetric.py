"""The volume of weighed water: density, air buoyancy, and what they leave in doubt.

Sources: water density by Tanaka, M. et al. (2001), Metrologia 38, 301-309; air density by the
simplified CIPM formula as in OIML R 111-1, E.3 (formula from memory; it gives the Z table of
ISO 8655-6:2002 to its last digit); the volume by ISO 8655-6, ISO/TR 20461.  Uncertainty by
JCGM 100.  Evaporation while weighing is not corrected: keep the vessel covered.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from uncertainties import umath  # type: ignore[import-untyped]

from ..measuring import Uncertain, budget, nominal, standard_uncertainty, variable
from .table import StudyError

# Tanaka et al. 2001, equation 1, air-free water of mean isotopic composition at 101 325 Pa.
_A1, _A2, _A3, _A4, _A5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
WATER_C = (0.0, 40.0)  # where that formula holds
AIR_C, AIR_HPA = (10.0, 30.0), (600.0, 1100.0)  # lower pressures stand in the Z table as well
WEIGHTS_KG_M3 = 8000.0  # conventional density of the balance's adjusting weights
# Dissolved air and isotopes: up to 0.003 kg/m³ between air-free and saturated water at 20 °C,
# and as much again for tap distillation; from memory, far below what matters here.
WATER_UNKNOWN_KG_M3 = 0.005
AIR_FORMULA = 2e-4  # relative, OIML R 111-1, E.3
WEIGHTS_LIMIT_KG_M3 = 140.0  # 8000 ± 140 for class F1, rectangular; OIML R 111-1, from memory
SMALL = 10


@dataclass(frozen=True)
class Doubt:
    """Standard uncertainties of one weighing: mass in mg, °C, hPa, % of relative humidity."""

    mass_mg: float
    temperature_c: float = 0.2
    pressure_hpa: float = 5.0
    humidity_percent: float = 10.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name} must not be negative, not {value}")


@dataclass(frozen=True)
class Volume:
    """Volume of weighed water, mL, with its standard uncertainty and the parts of it, mL."""

    volume_ml: float
    standard_uncertainty_ml: float
    budget: dict[str, float]
    z_ml_per_g: float


@dataclass(frozen=True)
class Against:
    """Readings against the weighed volumes: the figures of ISO 8655-6, clause 8, and the rest.

    Volumes in mL, the others in percent of the mean weighed volume.  ``systematic_error_ml`` is
    mean reading less mean weighed volume, with its standard uncertainty: the scatter of the
    mean, and the weighing's own part, which all rows share.
    """

    n: int
    systematic_error_ml: float
    systematic_standard_uncertainty_ml: float
    systematic_error_percent: float
    random_error_ml: float
    random_error_percent: float
    notes: tuple[str, ...]


def water_density_kg_m3(temperature_c: float) -> float:
    """Density of air-free water, kg/m³, at 0 to 40 °C.

    >>> round(water_density_kg_m3(20.0), 4)
    998.2067

    Raises
    ------
    StudyError
        If the temperature is outside that range.
    """
    if not WATER_C[0] <= temperature_c <= WATER_C[1]:
        raise StudyError(
            f"Water at {temperature_c:g} °C: the density formula holds from 0 to 40 °C."
        )
    return float(_water(temperature_c))


def _water(t: Uncertain) -> Uncertain:
    return _A5 * (1 - (t + _A1) ** 2 * (t + _A2) / (_A3 * (t + _A4)))


def air_density_kg_m3(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> float:
    """Density of moist air, kg/m³; pressure in hPa, relative humidity in percent.

    Raises
    ------
    StudyError
        If a value is outside what the formula was made for.
    """
    _check_air(temperature_c, pressure_hpa, humidity_percent)
    return float(_air(temperature_c, pressure_hpa, humidity_percent))


def _check_air(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> None:
    if not AIR_C[0] <= temperature_c <= AIR_C[1]:
        raise StudyError(
            f"Air at {temperature_c:g} °C: the density formula holds from 10 to 30 °C."
        )
    if not AIR_HPA[0] <= pressure_hpa <= AIR_HPA[1]:
        raise StudyError(
            f"An air pressure of {pressure_hpa:g} hPa is not one to weigh in: give the pressure "
            "at the balance, not reduced to sea level, in hPa (600 to 1100)."
        )
    if not 0 <= humidity_percent <= 100:
        raise StudyError(f"A relative humidity of {humidity_percent:g} % is not between 0 and 100.")


def _air(t: Uncertain, p: Uncertain, h: Uncertain) -> Uncertain:
    return (0.34848 * p - 0.009 * h * umath.exp(0.061 * t)) / (273.15 + t)


def z_ml_per_g(
    temperature_c: float, pressure_hpa: float = 1013.25, humidity_percent: float = 50.0
) -> float:
    """Volume of water that weighs one gram in air, mL/g, or microlitres per milligram.

    Air and water are at one temperature.

    Raises
    ------
    StudyError
        As `water_density_kg_m3` and `air_density_kg_m3`.
    """
    water = water_density_kg_m3(temperature_c)
    air = air_density_kg_m3(temperature_c, pressure_hpa, humidity_percent)
    return 1000 / (water - air) * (1 - air / WEIGHTS_KG_M3)


def weighed_volume(
    mass_g: float,
    temperature_c: float,
    pressure_hpa: float = 1013.25,
    humidity_percent: float = 50.0,
    *,
    doubt: Doubt,
) -> Volume:
    """Volume of water that shows *mass_g* on a balance in air, at the water's temperature.

    Raises
    ------
    StudyError
        If the mass is not above zero, or as `z_ml_per_g`.
    """
    if not (math.isfinite(mass_g) and mass_g > 0):
        raise StudyError(f"A mass of {mass_g:g} g is not above zero.")
    z = z_ml_per_g(temperature_c, pressure_hpa, humidity_percent)
    mass = variable(mass_g, doubt.mass_mg / 1000, "mass")
    t = variable(temperature_c, doubt.temperature_c, "water temperature")
    p = variable(pressure_hpa, doubt.pressure_hpa, "air pressure")
    h = variable(humidity_percent, doubt.humidity_percent, "humidity")
    air = _air(t, p, h) * variable(1.0, AIR_FORMULA, "air density formula")
    water = _water(t) + variable(0.0, WATER_UNKNOWN_KG_M3, "water density")
    weights = variable(WEIGHTS_KG_M3, WEIGHTS_LIMIT_KG_M3 / math.sqrt(3), "density of the weights")
    volume = 1000 * mass / (water - air) * (1 - air / weights)
    return Volume(
        volume_ml=nominal(volume),
        standard_uncertainty_ml=standard_uncertainty(volume),
        budget=budget(volume),
        z_ml_per_g=z,
    )


def against(readings_ml: Sequence[float], weighed: Sequence[Volume]) -> Against:
    """Readings, mL, against the weighed volumes of the same rows.

    Raises
    ------
    StudyError
        If there are fewer than two rows.
    ValueError
        If the two are not of one length.
    """
    n = len(readings_ml)
    if n != len(weighed):
        raise ValueError("readings_ml and weighed must be of one length")
    if n < 2:
        raise StudyError("One row tells nothing about scatter: weigh at least twice.")
    errors = [r - w.volume_ml for r, w in zip(readings_ml, weighed, strict=True)]
    mean = sum(errors) / n
    scatter = math.sqrt(sum((e - mean) ** 2 for e in errors) / (n - 1))
    target = sum(w.volume_ml for w in weighed) / n
    common = sum(w.standard_uncertainty_ml for w in weighed) / n
    notes = []
    if n < SMALL:
        notes.append(f"Only {n} weighings: ISO 8655-6 asks for ten at each volume.")
    if common > scatter / 3:
        notes.append(
            "The weighing is not much better than what it tests "
            f"(u = {common:.2g} mL against a scatter of {scatter:.2g} mL): use a finer balance, "
            "or weigh more water at once."
        )
    return Against(
        n=n,
        systematic_error_ml=mean,
        systematic_standard_uncertainty_ml=math.hypot(scatter / math.sqrt(n), common),
        systematic_error_percent=100 * mean / target,
        random_error_ml=scatter,
        random_error_percent=100 * scatter / target,
        notes=tuple(notes),
    )
