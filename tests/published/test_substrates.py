"""Substrates and simple coatings against published indices, closed forms and a second program.

`tmm` is an independent transfer-matrix library. What is printed to so many digits is compared to
one unit of the last.
"""

import csv
from pathlib import Path

import numpy as np
import pytest
import tmm

from speclake.quantities import substrates

DATA = Path(__file__).parent / "data"


def rows_of(name):
    return list(csv.DictReader((DATA / name).read_text("utf-8").splitlines()[1:]))


MATERIALS = {"sio2": "fused silica", "bk7": "borosilicate crown 517642"}
PLATES = [
    (name, *(float(row[key]) for key in ("wavelength_nm", f"n_{of}", f"R1_{of}", f"T2_{of}")))
    for row in rows_of("plates.csv")
    for of, name in MATERIALS.items()
    if row[f"n_{of}"] != "nan" and float(row["wavelength_nm"]) > 200
]


@pytest.mark.parametrize(
    ("name", "at", "index"),
    [("calcium fluoride", 587.562, 1.43384), ("calcium fluoride", 486.133, 1.43703),
     ("sapphire, ordinary ray", 589.29, 1.7681), ("sapphire, ordinary ray", 1064, 1.7545)],
)  # fmt: skip
def test_indices_of_crystals_are_those_of_the_handbooks(name, at, index):
    """Handbook values of the sodium, F and laser lines, from memory, to their last digit."""
    found = substrates.refractive_index(substrates.material(name), at)
    assert found == pytest.approx(index, abs=10.0 ** -len(str(index).partition(".")[2]))


@pytest.mark.parametrize(
    ("name", "at", "index"),
    [("fused silica", 213.856, 1.53431), ("fused silica", 587.561, 1.45846),
     ("fused silica", 486.133, 1.46313), ("fused silica", 3243.9, 1.41312)],
)  # fmt: skip
def test_index_of_fused_silica_is_the_printed_one(name, at, index):
    """I. H. Malitson, J. Opt. Soc. Am. 55, 1205 (1965), table of indices, from memory."""
    found = substrates.refractive_index(substrates.material(name), at)
    assert found == pytest.approx(index, abs=1e-5)


@pytest.mark.parametrize(("name", "at", "index", "face", "plate"), PLATES)
def test_plates_transmit_what_their_index_says(name, at, index, face, plate):
    """Computed from the refractiveindex.info data base (CC0); the file names its source."""
    found = substrates.refractive_index(substrates.material(name), at)
    one = substrates.face_reflectance(found)
    assert found == pytest.approx(index, abs=1e-5)
    assert one == pytest.approx(face, abs=1e-5)
    assert substrates.plate_transmittance(one) == pytest.approx(plate, abs=1e-5)
    assert substrates.plate_transmittance(one) == pytest.approx(2 * found / (found**2 + 1))


def test_the_plates_that_are_compared_cover_both_materials():
    assert len(PLATES) > 12
    assert {name for name, *_ in PLATES} == set(MATERIALS.values())


@pytest.mark.parametrize("row", rows_of("crown_internal_transmittance.csv"))
def test_internal_transmittance_goes_over_to_another_thickness(row):
    """Glass of the type of 517642, computed from published k; the file names its source."""
    thin = float(row["tau_i_10mm"])
    assert thin**2.5 == pytest.approx(float(row["tau_i_25mm"]), abs=2e-4)
    face = substrates.face_reflectance(1.5168)
    plate = substrates.plate_transmittance(face, thin)
    assert substrates.internal_of_plate(plate, face) == pytest.approx(thin, rel=1e-14)


ANGLES = [(0, 0.042580, 0.042580), (15, 0.046605, 0.038721), (45, 0.096733, 0.009357),
          (56, 0.152043, 0.0000489)]  # fmt: skip


@pytest.mark.parametrize(("angle", "s", "p"), ANGLES)
def test_one_face_reflects_what_the_second_program_says(angle, s, p):
    for polarisation, printed in (("s", s), ("p", p)):
        found = substrates.face_reflectance(1.52, angle_deg=angle, polarisation=polarisation)
        second = tmm.coh_tmm(polarisation, [1, 1.52], [np.inf, np.inf], np.radians(angle), 550)["R"]
        assert found == pytest.approx(printed, abs=1e-6)
        assert found == pytest.approx(second, abs=1e-13)


def test_no_p_light_is_reflected_at_the_angle_of_brewster():
    angle = substrates.brewster_angle_deg(1.52)
    assert angle == pytest.approx(56.659, abs=5e-4)
    found = substrates.face_reflectance(1.52, angle_deg=angle, polarisation="p")
    assert found == pytest.approx(0, abs=1e-30)


@pytest.mark.parametrize("absorption", [0.0, 1e-6, 1e-5])
def test_a_plate_is_that_of_the_second_program(absorption):
    """The second program adds the powers of a thick, absorbing slab itself."""
    index, thickness_nm, at = 1.46 + 1j * absorption, 2e6, 550
    second = tmm.inc_tmm("s", [1, index, 1], [np.inf, thickness_nm, np.inf], list("iii"), 0, at)
    face = substrates.face_reflectance(1.46)
    internal = np.exp(-4 * np.pi * absorption * thickness_nm / at)
    assert substrates.plate_transmittance(face, internal) == pytest.approx(second["T"], abs=1e-9)
    assert substrates.plate_reflectance(face, internal) == pytest.approx(second["R"], abs=1e-9)


@pytest.mark.parametrize(
    ("at", "printed"),
    [(550, 0.0126008), (400, 0.022053), (450, 0.016204), (650, 0.014368), (700, 0.015962)],
)
def test_a_quarter_wave_of_magnesium_fluoride(at, printed):
    thickness = 550 / (4 * 1.38)
    found = substrates.layer_reflectance(1.38, 1.52, thickness, at)
    second = tmm.coh_tmm("s", [1, 1.38, 1.52], [np.inf, thickness, np.inf], 0, at)["R"]
    assert found == pytest.approx(printed, abs=1e-6)
    assert found == pytest.approx(second, abs=1e-12)


def test_the_ideal_single_layer_reflects_nothing():
    index = 1.2328828
    assert substrates.layer_reflectance(index, 1.52, 550 / (4 * index), 550) < 1e-14


STACK = [0.323005, 0.683313, 0.877245, 0.955855, 0.984552, 0.994646, 0.998150, 0.999362, 0.999780]


@pytest.mark.parametrize(("pairs", "printed"), list(enumerate(STACK)))
def test_a_quarter_wave_stack(pairs, printed):
    found = substrates.stack_reflectance(pairs, 2.35, 1.38, 1.52)
    layers = [2.35, 1.38] * pairs + [2.35]
    thicknesses = [550 / (4 * n) for n in layers]
    second = tmm.coh_tmm("s", [1, *layers, 1.52], [np.inf, *thicknesses, np.inf], 0, 550)["R"]
    assert found == pytest.approx(printed, abs=1e-6)
    assert found == pytest.approx(second, abs=1e-12)


def test_its_stop_band():
    low, high = substrates.stop_band(550, 2.35, 1.38)
    assert (low, high) == (pytest.approx(471.10, abs=6e-3), pytest.approx(660.65, abs=6e-3))
    assert high - low == pytest.approx(189.55, abs=6e-3)
