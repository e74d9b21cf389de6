"""The thin-film calculation against closed formulas and printed index tables.

Sources: the quarter wave and the quarter-wave stack, R = ((1 - Y) / (1 + Y))² (H. A. Macleod,
Thin-Film Optical Filters, from memory; the digits follow from the formulas); Fresnel's and Airy's
formulas (Born and Wolf, Principles of Optics, sections 1.5 and 1.6, from memory); fused silica
indices printed by Malitson, J. Opt. Soc. Am. 55 (1965) 1205.
"""

import doctest
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from speclake_demo import film, materials
from speclake_demo.film import Layer, Polarisation, face, plate_reflectance, plate_transmittance
from speclake_demo.materials import BOROSILICATE_CROWN, FUSED_SILICA, sellmeier


def at(*wavelength_nm: float) -> np.ndarray:
    return np.array(wavelength_nm, dtype=float)


def test_quarter_wave_on_crown_reflects_what_the_formula_says() -> None:
    film = Layer(1.38, 550 / 4 / 1.38)
    wavelength = at(400, 450, 550, 650, 700)
    coated = face(wavelength, [film], 1.52)
    expected = [0.022053, 0.016204, 0.0126008, 0.014368, 0.015962]
    assert coated.reflectance == pytest.approx(expected, abs=5e-7)
    assert coated.reflectance[2] == pytest.approx(((1.52 - 1.38**2) / (1.52 + 1.38**2)) ** 2, 1e-12)


def test_ideal_antireflection_index_reflects_nothing() -> None:
    film = Layer(1.52**0.5, 550 / 4 / 1.52**0.5)
    assert face(at(550), [film], 1.52).reflectance[0] < 1e-28


@pytest.mark.parametrize(
    ("pairs", "reflectance"),
    [
        (0, 0.323005),
        (1, 0.683313),
        (2, 0.877245),
        (3, 0.955855),
        (4, 0.984552),
        (5, 0.994646),
        (6, 0.998150),
        (7, 0.999362),
        (8, 0.999780),
    ],
)
def test_quarter_wave_stack_reflects_what_the_formula_says(pairs: int, reflectance: float) -> None:
    high, low = Layer(2.35, 550 / 4 / 2.35), Layer(1.38, 550 / 4 / 1.38)
    stack = [high, low] * pairs + [high]
    assert face(at(550), stack, 1.52).reflectance[0] == pytest.approx(reflectance, abs=6e-7)
    admittance = (2.35 / 1.38) ** (2 * pairs) * 2.35**2 / 1.52
    exact = ((1 - admittance) / (1 + admittance)) ** 2
    assert face(at(550), stack, 1.52).reflectance[0] == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize(
    ("angle_deg", "s", "p"),
    [
        (0, 0.042580, 0.042580),
        (15, 0.046605, 0.038721),
        (45, 0.096733, 0.009357),
        (56, 0.152043, 0.0000489),
    ],
)
def test_bare_face_reflects_as_fresnel_says(angle_deg: float, s: float, p: float) -> None:
    by_polarisation: dict[Polarisation, float] = {"s": s, "p": p}
    for polarisation, expected in by_polarisation.items():
        bare = face(at(550), [], 1.52, angle_deg=angle_deg, polarisation=polarisation)
        assert bare.reflectance[0] == pytest.approx(expected, abs=6e-7)


def test_no_p_light_returns_at_brewsters_angle() -> None:
    angle = float(np.degrees(np.arctan(1.52)))
    assert angle == pytest.approx(56.659, abs=5e-4)
    assert face(at(550), [], 1.52, angle_deg=angle, polarisation="p").reflectance[0] < 1e-30


@given(
    index=st.floats(1.2, 2.6),
    absorption=st.floats(0, 0.5),
    thickness_nm=st.floats(0, 400),
    substrate=st.floats(1.3, 2.0),
    angle_deg=st.floats(0, 80),
    polarisation=st.sampled_from(["s", "p"]),
)
def test_one_oblique_absorbing_film_agrees_with_airys_sum(
    index: float,
    absorption: float,
    thickness_nm: float,
    substrate: float,
    angle_deg: float,
    polarisation: Polarisation,
) -> None:
    film_index = complex(index, absorption)
    sine = np.sin(np.radians(angle_deg))
    cosines = [np.sqrt(1 - (sine / n) ** 2 + 0j) for n in (1.0, film_index, substrate)]

    def fresnel(i: int, j: int) -> complex:
        n = (1.0, film_index, substrate)
        if polarisation == "s":
            a, b = n[i] * cosines[i], n[j] * cosines[j]
        else:
            a, b = n[i] / cosines[i], n[j] / cosines[j]
        return complex((a - b) / (a + b))

    turn = np.exp(4j * np.pi / 500 * film_index * cosines[1] * thickness_nm)
    r = (fresnel(0, 1) + fresnel(1, 2) * turn) / (1 + fresnel(0, 1) * fresnel(1, 2) * turn)
    found = face(
        at(500), [Layer(film_index, thickness_nm)], substrate,
        angle_deg=angle_deg, polarisation=polarisation,
    )  # fmt: skip
    assert found.reflectance[0] == pytest.approx(abs(r) ** 2, rel=1e-9, abs=1e-12)


@given(
    thicknesses_nm=st.lists(st.floats(1, 300), max_size=6),
    angle_deg=st.floats(0, 75),
    polarisation=st.sampled_from(["s", "p"]),
)
def test_no_light_is_lost_or_won_where_nothing_absorbs(
    thicknesses_nm: list[float], angle_deg: float, polarisation: Polarisation
) -> None:
    layers = [Layer(2.1 if i % 2 else 1.38, t) for i, t in enumerate(thicknesses_nm)]
    coated = face(
        np.linspace(200, 2500, 47), layers, 1.46, angle_deg=angle_deg, polarisation=polarisation
    )
    assert coated.reflectance + coated.transmittance == pytest.approx(1, abs=1e-11)
    # Stokes: a face that loses nothing reflects alike from both sides.
    assert coated.reflectance_inside == pytest.approx(coated.reflectance, abs=1e-11)
    both = plate_transmittance(coated, coated) + plate_reflectance(coated, coated)
    assert both == pytest.approx(1, abs=1e-10)


def test_bare_plate_transmits_what_the_sum_over_reflections_says() -> None:
    wavelength = at(213.856, 253.652, 365.015, 486.133, 587.562, 656.272, 1064, 2000)
    silica = sellmeier(wavelength, FUSED_SILICA)
    bare = face(wavelength, [], silica)
    expected = [0.91488, 0.92177, 0.92906, 0.93171, 0.93279, 0.93327, 0.93481, 0.93745]
    assert plate_transmittance(bare, bare) == pytest.approx(expected, abs=1e-5)
    assert plate_transmittance(bare, bare) == pytest.approx(2 * silica / (silica**2 + 1), 1e-12)
    assert plate_reflectance(bare, bare) == pytest.approx((silica - 1) ** 2 / (silica**2 + 1), 1e-9)


def test_bulk_absorption_takes_its_part_on_every_pass() -> None:
    bare = face(at(550), [], 1.52)
    r, t, once = ((1.52 - 1) / (1.52 + 1)) ** 2, 1 - ((1.52 - 1) / (1.52 + 1)) ** 2, 0.5
    passes = [t * once * (r * once) ** (2 * n) * t for n in range(30)]
    assert plate_transmittance(bare, bare, once)[0] == pytest.approx(sum(passes), rel=1e-14)


@pytest.mark.parametrize(
    ("terms", "wavelength_nm", "index"),
    [
        (FUSED_SILICA, 213.856, 1.53431),
        (FUSED_SILICA, 253.652, 1.50551),
        (FUSED_SILICA, 486.133, 1.46313),
        (FUSED_SILICA, 587.561, 1.45846),
        (FUSED_SILICA, 2000.0, 1.43809),
        (BOROSILICATE_CROWN, 365.015, 1.53627),
        (BOROSILICATE_CROWN, 587.562, 1.51680),
        (BOROSILICATE_CROWN, 2000.0, 1.49450),
    ],
)
def test_glass_has_the_printed_index(
    terms: tuple[tuple[float, float], ...], wavelength_nm: float, index: float
) -> None:
    assert sellmeier(at(wavelength_nm), terms)[0] == pytest.approx(index, abs=1e-5)


@pytest.mark.parametrize("module", [film, materials])
def test_examples_in_the_docstrings_hold(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
