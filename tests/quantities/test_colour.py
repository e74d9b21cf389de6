"""Colour: white is white, nothing is assumed, and the same answer in any company."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.errors import SpeclakeError
from speclake.quantities import Fill, Viewing, colour_number, tristimulus
from speclake.quantities.colour import NUMBERS, lab_of, number_of
from speclake.quantities.tristimulus import OBSERVERS, Tristimulus, library_of_colour, weights_of
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(360.0, 831.0, 5.0)
FACTORS = "ASTM E2022 weighting factors"


def spectra_of(rows, grid=GRID, unit="T"):
    values = np.atleast_2d(np.asarray(rows, float))
    keys = tuple(f"m{i}" for i in range(len(values)))
    return SpectrumSet(Axis(grid, "nm"), values, unit, keys)


def viewing(illuminant="D65", observer="CIE 1931 2 degree", method="summation", interval=5,
            low=360.0, high=780.0, fill=None):  # fmt: skip
    return Viewing(illuminant=illuminant, observer=observer, method=method, interval=interval,
                   low=low, high=high, fill=fill)  # fmt: skip


ARITHMETIC = [("summation", 5), (FACTORS, 10), (FACTORS, 20)]
RAMP = np.clip((GRID - 380) / 400, 0, 1)


def some_colours(n=40):
    chance = np.random.default_rng(5)
    knots = chance.uniform(0, 1, (n, 8))
    return np.stack([np.interp(GRID, np.linspace(360, 830, 8), each) for each in knots])


@pytest.mark.parametrize("number", NUMBERS)
def test_a_number_depends_on_its_own_spectrum_only(number):
    rows = np.concatenate((some_colours(), 0.9 + 0.05 * some_colours(5)))
    rows[3, 20] = np.nan
    together = colour_number(spectra_of(rows), viewing(), number, reference_lab=(50, 10, -10))
    for row in range(len(rows)):
        alone = colour_number(spectra_of(rows[row]), viewing(), number, reference_lab=(50, 10, -10))
        assert alone.value.tobytes() == together.value[row : row + 1].tobytes()
        assert alone.reasons.get(0) == together.reasons.get(row)
    assert together.reasons[3] == "the value at 460 nm is missing"
    assert np.isfinite(together.value).any()
    assert all(row in together.reasons for row in np.flatnonzero(np.isnan(together.value)))


@pytest.mark.parametrize(("method", "interval"), ARITHMETIC)
@pytest.mark.parametrize("observer", OBSERVERS)
@pytest.mark.parametrize("illuminant", ["A", "C", "D50", "D65"])
def test_what_lets_all_through_is_white(illuminant, observer, method, interval):
    seen = viewing(illuminant, observer, method, interval)
    white = spectra_of(np.ones(GRID.size))
    assert colour_number(white, seen, "Y").value == pytest.approx([100.0], abs=1e-12)
    assert colour_number(white, seen, "L*").value == pytest.approx([100.0], abs=1e-9)
    for number in ("a*", "b*"):
        assert colour_number(white, seen, number).value == pytest.approx([0.0], abs=1e-9)
    assert colour_number(white, seen, "excitation purity").value == [0.0]
    for number in ("h ab", "dominant wavelength"):
        assert "neutral" in colour_number(white, seen, number).reasons[0]


@given(level=st.floats(0.01, 1.0))
def test_a_neutral_sample_has_no_colour(level):
    grey = spectra_of(np.full(GRID.size, level))
    found = tristimulus(grey, viewing())
    assert found.xyz[0] == pytest.approx(found.white * level, rel=1e-12)
    assert colour_number(grey, viewing(), "a*").value == pytest.approx([0.0], abs=1e-9)


def test_percent_and_fraction_are_one_colour():
    percent = colour_number(spectra_of(100 * RAMP, unit="%T"), viewing(), "b*")
    assert percent.value == pytest.approx(colour_number(spectra_of(RAMP), viewing(), "b*").value)


@given(split=st.integers(1, 39))
def test_cutting_a_set_changes_no_bit(split):
    rows = some_colours()
    whole = tristimulus(spectra_of(rows), viewing()).xyz
    parts = [tristimulus(spectra_of(each), viewing()).xyz for each in (rows[:split], rows[split:])]
    assert np.concatenate(parts).tobytes() == whole.tobytes()


def test_black_has_no_chromaticity():
    black = spectra_of(np.zeros(GRID.size))
    assert colour_number(black, viewing(), "L*").value == [0.0]
    for number in ("x", "v'", "dominant wavelength", "excitation purity"):
        found = colour_number(black, viewing(), number)
        assert np.isnan(found.value).all()
        assert found.reasons[0]


def test_a_purple_has_a_purity_and_no_dominant_wavelength():
    purple = spectra_of(1.0 - np.exp(-(((GRID - 540) / 40) ** 2)))
    assert "purple" in colour_number(purple, viewing(), "dominant wavelength").reasons[0]
    assert 0 < colour_number(purple, viewing(), "excitation purity").value[0] < 100


@pytest.mark.parametrize("at", [450.0, 500.0, 550.0, 600.0])
def test_light_of_one_wavelength_is_that_wavelength_and_pure(at):
    fine = np.arange(360.0, 781.0)
    line = spectra_of((fine == at) * 1.0, fine)
    seen = viewing(interval=1)
    assert colour_number(line, seen, "dominant wavelength").value == pytest.approx([at], abs=1e-6)
    assert colour_number(line, seen, "excitation purity").value == pytest.approx([100.0], abs=1e-9)


def test_the_dominant_wavelength_agrees_with_the_library_to_its_nanometre():
    rows, seen = spectra_of(some_colours()), viewing()
    found, library = tristimulus(rows, seen), library_of_colour()
    xy = found.xyz[:, :2] / found.xyz.sum(axis=1, keepdims=True)
    white = found.white[:2] / found.white.sum()
    observer = library.MSDS_CMFS[OBSERVERS[seen.observer]]
    nearest, _, _ = library.dominant_wavelength(xy, white, observer)
    ours = number_of(found, seen, "dominant wavelength").value
    spectral = nearest > 0
    assert spectral.sum() > 10
    assert (np.isnan(ours) == ~spectral).all()
    assert np.abs(ours - nearest)[spectral].max() < 1.0
    purity = number_of(found, seen, "excitation purity").value
    expected = 100 * library.excitation_purity(xy, white, observer)
    assert purity == pytest.approx(expected, rel=2e-3)


def test_differences_need_a_reference_and_vanish_at_it():
    ramp = spectra_of(RAMP)
    lab = tuple(float(colour_number(ramp, viewing(), each).value[0]) for each in ("L*", "a*", "b*"))
    for number in ("delta E ab", "delta E 2000"):
        with pytest.raises(ValueError, match="reference"):
            colour_number(ramp, viewing(), number)
        assert colour_number(ramp, viewing(), number, reference_lab=lab).value == [0.0]
    moved = (lab[0] + 3.0, lab[1], lab[2] - 4.0)
    shifted = colour_number(ramp, viewing(), "delta E ab", reference_lab=moved)
    assert shifted.value == pytest.approx([5.0], abs=1e-12)
    xyz = tuple(tristimulus(ramp, viewing()).xyz[0].tolist())
    assert lab_of(xyz, viewing()) == lab


def test_missing_ends_and_coarse_points_are_said():
    inner = (GRID >= 400) & (GRID <= 700)
    short = spectra_of(RAMP[inner], GRID[inner])
    assert "the specification allows no fill" in colour_number(short, viewing(), "Y").reasons[0]
    filled = viewing(fill=Fill("end value", 2.0))
    whole = np.interp(GRID, GRID[inner], RAMP[inner])
    expected = tristimulus(spectra_of(whole), viewing()).xyz
    assert tristimulus(short, filled).xyz == pytest.approx(expected, rel=1e-12)
    coarse = spectra_of(RAMP[::2], GRID[::2])
    assert "an interval of 10 nm" in colour_number(coarse, viewing(), "Y").reasons[0]


def test_a_finer_spectrum_gives_the_same_numbers_where_it_is_straight():
    fine = np.arange(360.0, 781.0, 0.5)
    twice = spectra_of(np.clip((fine - 380) / 400, 0, 1), fine)
    assert tristimulus(twice, viewing()).xyz == pytest.approx(
        tristimulus(spectra_of(RAMP), viewing()).xyz, rel=1e-12
    )


def test_far_from_white_there_is_no_whiteness():
    found = colour_number(spectra_of(RAMP), viewing(), "whiteness ASTM E313")
    assert "too far from white" in found.reasons[0]
    near = spectra_of(np.full(GRID.size, 0.9))
    assert colour_number(near, viewing(), "whiteness ASTM E313").value == pytest.approx([90.0])


@pytest.mark.parametrize(
    "wrong",
    [
        viewing(interval=10),
        viewing(method=FACTORS, interval=5),
        viewing(high=785.0),
        viewing("FL2", low=360.0),
        viewing(low=362.0),
    ],
)
def test_a_grid_without_a_table_is_refused(wrong):
    with pytest.raises(ValueError, match=r"an interval of|a band in steps"):
        weights_of(wrong)


def test_an_unknown_number_is_refused():
    unknown = Tristimulus(np.ones((1, 3)), np.ones(3), {})
    with pytest.raises(ValueError, match="found 'redness'"):
        number_of(unknown, viewing(), "redness")


def test_without_the_library_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "colour", None)
    with pytest.raises(SpeclakeError, match=r'pip install "speclake\[colour\]"'):
        library_of_colour()


def test_the_library_changes_nothing_for_the_rest_of_the_program():
    """On import it would change how NumPy prints, and warn about extras that are not used."""
    code = (
        "import numpy as np\n"
        "before = np.get_printoptions(), np.geterr()\n"
        "from speclake.quantities.tristimulus import library_of_colour\n"
        "library_of_colour().XYZ_to_Lab(np.ones(3))\n"
        "assert (np.get_printoptions(), np.geterr()) == before\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")


def test_nobody_loads_the_library_who_asks_for_no_colour():
    code = "import sys, speclake.judging, speclake.quantities; assert 'colour' not in sys.modules"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
