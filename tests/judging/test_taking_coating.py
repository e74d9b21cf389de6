"""Plates, films and band edges through specifications: the number, the unit and the sentence."""

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.judging import Conditions, explain, judge
from speclake.judging.conditions import Bandwidth
from speclake.quantities.substrates import face_reflectance, materials, plate_transmittance
from speclake.specs import Outcome, Specification
from speclake.specs.requirements.coating import MaterialName
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(400.0, 801.0)
PLATE = 100 * plate_transmittance(face_reflectance(1.5), np.full(GRID.size, 0.81))
FILM = 70 + 10 * np.cos(2 * np.pi * 2 * 1.46 * 2500 / GRID)
ENERGIES = 1239.8419843320026 / GRID
EDGE = np.maximum(ENERGIES - 2.0, 0) ** 2 / ENERGIES

NARROW = "largest_interval = 2\nlargest_bandwidth_nm = 2"
OF_PLATE = (
    f'of = "%T"\nindex = 1.5\nangle_deg = 0\nthickness_mm = 2\nlargest_excess = 0.2\n{NARROW}'
)
OF_FILM = (
    f'of = "%T"\nindex = 1.46\nangle_deg = 0\nsmallest_swing = 5\nextrema_at_least = 6\n{NARROW}'
)
OF_EDGE = (
    'of = "A"\nband = [2.2, 2.9]\naxis_unit = "eV"\nlargest_interval = 0.02\n'
    'largest_bandwidth_nm = 2\ndefinition = "tauc indirect"'
)
INTERNAL, ABSORPTION, THICKNESS = (
    f'what = "{what}"\n{keys}\n'
    for what, keys in (
        ("internal transmittance", f'unit = "%"\n{OF_PLATE}'),
        ("absorption coefficient", OF_PLATE),
        ("film thickness", f"band = [410, 790]\n{OF_FILM}"),
    )
)
BAND_EDGE = f'what = "band edge"\n{OF_EDGE}\n'
OVER = "band = [420, 780]\n"
CASES = {
    "plate at": (PLATE, "%T", f"{INTERNAL}at = 550\nto_thickness_mm = 1", 90.0, 1e-9),
    "plate over a band": (PLATE, "%T", f"{INTERNAL}{OVER}to_thickness_mm = 4", 65.61, 1e-9),
    "absorption": (
        PLATE, "%T", f'{ABSORPTION}at = 550\nunit = "1/cm"', -np.log(0.81) / 0.2, 1e-9,
    ),
    "absorption per mm": (
        PLATE, "%T", f'{ABSORPTION}{OVER}unit = "1/mm"', -np.log(0.81) / 2, 1e-9,
    ),
    "film": (FILM, "%T", f'{THICKNESS}unit = "nm"', 2500, 1),
    "film in um": (FILM, "%T", f'{THICKNESS}unit = "um"', 2.5, 1e-3),
    "edge": (EDGE, "A", f'{BAND_EDGE}unit = "eV"', 2.0, 1e-4),
    "edge in nm": (EDGE, "A", f'{BAND_EDGE}unit = "nm"', 1239.841984 / 2, 0.03),
}  # fmt: skip


def verdict_of(values, unit, more, limits, angle=0.0):
    text = f'name = "s"\n[[requirement]]\nid = "r"\n{more}\n{limits}\n'
    spectra = SpectrumSet(Axis(GRID, "nm", "vacuum"), np.array([values]), unit, ("m",))
    known = Conditions(angle_deg=angle, smoothed=False, bandwidths=(Bandwidth(400, 800, 1.0),))
    (verdict,) = judge(spectra, Specification.from_toml_text(text, "s.toml"), [known])
    return verdict


@pytest.mark.parametrize("case", CASES)
def test_each_number_is_judged_in_its_unit(case):
    values, unit, more, expected, within = CASES[case]
    limits = f"at_least = {expected - within:.10f}\nat_most = {expected + within:.10f}"
    verdict = verdict_of(values, unit, more, limits)
    assert verdict.outcome is Outcome.PASS, explain(verdict)
    assert verdict.value == pytest.approx(expected, abs=within)


@pytest.mark.parametrize(
    ("case", "sentence"),
    [
        ("plate over a band",
         "Internal transmittance of 4 mm, minimum over the band from 420 nm to 780 nm (plate of "
         "index 1.5, 2 mm), at least 90 %, angle of incidence 0°: found 65.6 % at "
         "420 nm"),
        ("absorption",
         "Absorption coefficient, at 550 nm (plate of index 1.5, 2 mm), at least 90 1/cm"),
        ("film",
         "Thickness of the film of index 1.46, from 6 fringes or more of transmittance (maxima and "
         "minima 5 %T apart) from 410 nm to 790 nm"),
        ("edge", "Band edge (tauc indirect) of absorbance from 2.2 eV to 2.9 eV, at least 90 eV"),
    ],
)  # fmt: skip
def test_the_sentence_says_how_the_number_is_taken(case, sentence):
    values, unit, more, *_ = CASES[case]
    assert explain(verdict_of(values, unit, more, "at_least = 90")).startswith(sentence)


def test_a_plate_that_is_too_bright_is_not_measurable():
    more = CASES["plate at"][2]
    verdict = verdict_of(np.full(GRID.size, 93.0), "%T", more, "at_least = 90")
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "93 %T at 550 nm is impossible" in explain(verdict)


@pytest.mark.parametrize("case", ["plate at", "film"])
def test_an_unknown_angle_is_not_measurable(case):
    values, unit, more, *_ = CASES[case]
    verdict = verdict_of(values, unit, more, "at_least = 1", angle=None)
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "angle" in explain(verdict)


@pytest.mark.parametrize(
    ("case", "old", "new", "said"),
    [
        ("plate at", "index = 1.5", "", "one of them"),
        ("film", "index = 1.46", 'index = 1.46\nmaterial = "fused silica"', "one of them"),
        ("plate at", "angle_deg = 0", "angle_deg = 45", "normal incidence"),
        ("plate at", "angle_deg = 0", "", "angle_deg"),
        ("plate at", 'of = "%T"', 'of = "%R"', 'of = "%T" or "T"'),
        ("plate at", 'unit = "%"', 'unit = "%T"', "unit = one of %"),
        ("plate at", "largest_excess = 0.2", "", "largest_excess"),
        ("film", "extrema_at_least = 6", "extrema_at_least = 3", "extrema_at_least"),
        ("film", "smallest_swing = 5", "", "smallest_swing"),
        ("edge", 'axis_unit = "eV"', "", 'axis_unit = "eV"'),
        ("edge", 'of = "A"', 'of = "%R"', "of = one of A"),
        ("edge", 'definition = "tauc indirect"', "", "definition"),
    ],
)
def test_what_is_missing_or_does_not_fit_is_refused(case, old, new, said):
    values, unit, more, *_ = CASES[case]
    assert old in more
    with pytest.raises(BadSettings, match=said):
        verdict_of(values, unit, more.replace(old, new), "at_least = 1")


def test_a_specification_knows_the_materials_that_there_are():
    assert MaterialName.__args__ == tuple(materials())
