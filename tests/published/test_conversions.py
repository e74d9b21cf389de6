"""Conversions against numbers published elsewhere; each source stands beside its check."""

import numpy as np
import pytest

from speclake.units import (
    EV_NM,
    air_from_vacuum,
    convert_positions,
    convert_values,
    refractive_index_of_air,
    vacuum_from_air,
)


def test_photon_energy_follows_from_the_constants_of_codata_2018():
    # CODATA 2018, h c / e, exact by definition: 1.239 841 984... x 10^-6 eV m
    assert abs(EV_NM - 1239.841984) < 5e-7
    assert float(convert_positions(365.0, "nm", "vacuum", "eV")) == pytest.approx(
        3.396827, abs=5e-7
    )
    assert float(convert_positions(1239.842, "nm", "vacuum", "eV")) == pytest.approx(1.0, abs=2e-8)


@pytest.mark.parametrize(
    ("air", "vacuum"),
    [(253.652, 253.728), (486.000, 486.136), (656.100, 656.281), (193.368, 193.432)],
)
def test_lines_of_mercury_and_deuterium_in_air_and_in_vacuum(air, vacuum):
    # Ciddor, Applied Optics 35 (1996) 1566, evaluated for mercury, D-beta, D-alpha and an excimer
    # laser line; the air wavelengths of mercury are those of Sansonetti, Salit and Reader,
    # Applied Optics 35 (1996) 74
    assert float(vacuum_from_air(air)) == pytest.approx(vacuum, abs=5e-4)
    assert float(air_from_vacuum(vacuum)) == pytest.approx(air, abs=6e-4)


def test_deuterium_in_vacuum_reads_like_hydrogen_in_air():
    # NIST Atomic Spectra Database, from memory: D-beta 485.9998 nm and H-beta 486.133 nm, in air
    assert float(vacuum_from_air(485.9998)) == pytest.approx(486.133, abs=0.005)


def test_the_krypton_line_that_defined_the_metre():
    # the worked example of the public IDL routines for this conversion: 6056.125 and 6057.8019 Å
    assert 10 * float(vacuum_from_air(605.6125)) == pytest.approx(6057.8019, abs=5e-5)
    # the definition of the metre of 1960: 1 650 763.73 wavelengths in vacuum
    assert float(air_from_vacuum(1e9 / 1650763.73)) == pytest.approx(605.6125, abs=5e-5)


def test_index_of_air_at_the_sodium_lines():
    # n = 1.000277 for air at 15 °C and one atmosphere, the handbook value; from memory
    assert float(refractive_index_of_air(589.29)) == pytest.approx(1.000277, abs=5e-7)


def test_air_shifts_550_nm_by_0_15_nm():
    # common practice: the figure that the trade remembers
    assert float(vacuum_from_air(550.0)) - 550.0 == pytest.approx(0.15, abs=0.005)


def test_absorbance_with_stray_light():
    # closed form A' = -log10((T + s) / (1 + s)); s = 10^-4 gives the row of the usual table
    transmittance = convert_values([1.0, 2.0, 3.0, 4.0], "A", "T")
    seen = convert_values((transmittance + 1e-4) / (1 + 1e-4), "T", "A")
    assert seen == pytest.approx([0.9996, 1.9957, 2.9587, 3.6990], abs=5e-5)


def test_mean_optical_density_is_not_the_density_of_the_mean():
    # half the band at OD 4, half at OD 6: 5.000, or 4.2967 for the mean transmittance
    densities = np.array([4.0, 6.0])
    assert densities.mean() == 5.0
    of_mean = convert_values(convert_values(densities, "A", "%T").mean(), "%T", "A")
    assert float(of_mean) == pytest.approx(4.2967, abs=5e-5)
