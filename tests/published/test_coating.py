"""Plates, films and band edges against published glass data, closed forms and a second program.

The Tauc cases are constructed: α hν is made from a known edge, which has to be found again.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
import tmm

from speclake.quantities import (
    Fringes,
    Place,
    Plate,
    Spot,
    absorption_coefficient,
    band_edge,
    film_thickness,
    internal_transmittance,
    material,
    refractive_index,
)
from speclake.quantities.substrates import face_reflectance, plate_transmittance
from speclake.spectrum import Axis, SpectrumSet

CROWN = material("borosilicate crown 517642")
FILE = Path(__file__).parent / "data/crown_internal_transmittance.csv"
GLASS = list(csv.DictReader(FILE.read_text("utf-8").splitlines()[1:]))


def one(x, y, unit="T", axis_unit="nm"):
    return SpectrumSet(Axis(x, axis_unit), np.atleast_2d(y), unit, ("a",))


def glass(thickness_mm):
    at, k = (np.array([float(row[name]) for row in GLASS]) for name in ("wavelength_nm", "k"))
    internal = np.exp(-4 * np.pi * k * thickness_mm * 1e6 / at)
    return at, plate_transmittance(face_reflectance(refractive_index(CROWN, at)), internal)


@pytest.mark.parametrize("row", GLASS, ids=lambda row: row["wavelength_nm"])
def test_internal_transmittance_of_a_crown_glass(row):
    """Computed from k of the refractiveindex.info data base (CC0), as its file says."""
    spectra, at = one(*glass(10)), float(row["wavelength_nm"])
    plate = Plate(index=CROWN, thickness_mm=10, largest_excess=0)
    spot = Spot(at=at, largest_interval=2000)
    for thickness in (10, 25):
        found = internal_transmittance(spectra, spot, plate, thickness)
        expected = float(row[f"tau_i_{thickness}mm"])
        assert found.value[0] == pytest.approx(expected, abs=2e-4)
    alpha = absorption_coefficient(spectra, spot, plate, "1/cm").value[0]
    assert alpha == pytest.approx(4 * np.pi * float(row["k"]) * 1e7 / at, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("at", "catalogue"),
    [(300, 0.29), (320, 0.77), (350, 0.967), (365, 0.988), (400, 0.997), (546, 0.998),
     (1530, 0.992), (2325, 0.79)],
)  # fmt: skip
def test_it_is_near_the_catalogue(at, catalogue):
    """Values of a glass catalogue for 10 mm, from memory."""
    plate = Plate(index=CROWN, thickness_mm=10, largest_excess=0)
    spot = Spot(at=at, largest_interval=2000)
    found = internal_transmittance(one(*glass(10)), spot, plate, 10)
    assert found.value[0] == pytest.approx(catalogue, abs=0.013)


ORDERS = (2920, 1460, 973.333, 730, 584, 486.667, 417.143, 365)


def test_fringes_of_a_micrometre_by_their_closed_form():
    """Maxima at 2 n d / m: n = 1.46, d = 1000 nm."""
    grid = np.arange(340.0, 3200.0, 0.5)
    values = 0.9 + 0.05 * np.cos(2 * np.pi * 2 * 1.46 * 1000 / grid)
    for maximum in ORDERS[1:]:
        around = np.abs(grid - maximum) < 20
        assert grid[around][values[around].argmax()] == pytest.approx(maximum, abs=0.5)
    found = film_thickness(
        one(grid, values), Place(low=345, high=3100, largest_interval=1), 1.46, 0,
        Fringes(smallest_swing=0.02),
    )  # fmt: skip
    assert found.value[0] == pytest.approx(1000.0, abs=0.05)
    assert found.standard_uncertainty[0] < 0.1


@pytest.mark.parametrize(("angle", "polarisation"), [(0, "s"), (30, "s"), (30, "p")])
def test_fringes_of_the_second_program(angle, polarisation):
    """`tmm` makes the spectrum of a film of 2 µm and index 2 on glass."""
    grid = np.arange(500.0, 1500.0)
    values = [
        tmm.coh_tmm(polarisation, [1, 2.0, 1.52], [np.inf, 2000, np.inf], np.radians(angle), at)[
            "T"
        ]
        for at in grid
    ]
    found = film_thickness(
        one(grid, values), Place(low=500, high=1499, largest_interval=1), 2.0, angle,
        Fringes(smallest_swing=0.02),
    )  # fmt: skip
    assert found.value[0] == pytest.approx(2000, abs=0.5)


ENERGIES = np.arange(2.5, 4.0001, 0.01)
WINDOW = Place(low=ENERGIES[80], high=ENERGIES[110], unit="eV", largest_interval=0.02)


@pytest.mark.parametrize(("definition", "power"), [("tauc direct", 0.5), ("tauc indirect", 2)])
@pytest.mark.parametrize("scale", [0.5, 2.0])
def test_a_constructed_edge_is_found_again(definition, power, scale):
    """Edge at 3.20 eV, window from 3.3 eV to 3.6 eV."""
    absorbance = scale * np.maximum(ENERGIES - 3.20, 0) ** power / ENERGIES
    spectra = one(ENERGIES, absorbance, "A", "eV")
    assert band_edge(spectra, WINDOW, definition, "eV").value[0] == pytest.approx(3.2, abs=1e-6)
    in_nm = band_edge(spectra, WINDOW, definition, "nm").value[0]
    assert in_nm == pytest.approx(1239.841984 / 3.2, abs=1e-4)
    raised = band_edge(one(ENERGIES, absorbance + 0.05, "A", "eV"), WINDOW, definition, "eV")
    assert abs(raised.value[0] - 3.2) > 1e-3


def test_the_derivative_of_a_constructed_step():
    """The steepest place of a logistic step is its middle."""
    values = 0.9 / (1 + np.exp((ENERGIES - 3.4567) / 0.02))
    found = band_edge(one(ENERGIES, values, "T", "eV"), WINDOW, "derivative", "eV")
    assert found.value[0] == pytest.approx(3.4567, abs=5e-4)
