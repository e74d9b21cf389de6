"""Levelling at a change-over: the step goes, one side stays, and nothing is hidden."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import speclake.quantities.levelling
from speclake.quantities.levelling import levelled
from speclake.spectrum import Axis, SpectrumSet

NM = np.arange(800.0, 921.0)


def spectra_of(rows, unit="%T"):
    values = np.atleast_2d(np.asarray(rows, float))
    return SpectrumSet(Axis(NM, "nm", "air"), values, unit, tuple(map(str, range(len(values)))))


def test_the_example_is_right():
    found = doctest.testmod(speclake.quantities.levelling)
    assert found.attempted
    assert not found.failed


@given(
    step=st.floats(-5, 5),
    slope=st.floats(-0.1, 0.1),
    level=st.floats(20, 100),
    side=st.sampled_from(["below", "above"]),
)
def test_a_step_on_a_straight_line_goes_and_one_side_stays(step, slope, level, side):
    line = level + slope * (NM - 860)
    found = levelled(spectra_of(line + step * (NM >= 860)), 860.0, side, window=20.0)
    expected = line if side == "below" else line + step
    np.testing.assert_allclose(found.spectra.values[0], expected, atol=1e-9)
    assert found.above[0] - found.below[0] == pytest.approx(step, abs=1e-9)
    assert found.amount[0] == pytest.approx(-step if side == "below" else step, abs=1e-9)


def test_a_step_that_is_known_better_than_by_lines_is_taken():
    curved = 50 + 0.004 * (NM - 860) ** 2 + 0.5 * (NM >= 860)
    sides = (np.array([50.0]), np.array([50.5]))
    found = levelled(spectra_of(curved), 860.0, "below", window=20.0, arriving=sides)
    np.testing.assert_allclose(found.spectra.values[0], curved - 0.5 * (NM >= 860), atol=1e-9)


@pytest.mark.parametrize("by", ["offset", "factor"])
@pytest.mark.parametrize("side", ["below", "above"])
def test_the_side_that_stays_is_the_same_to_the_last_bit(by, side):
    rows = 50 + np.random.default_rng(2).normal(0, 0.1, (5, NM.size)) + 0.7 * (NM >= 860)
    given_spectra = spectra_of(rows)
    before = rows.copy()
    found = levelled(given_spectra, 860.0, side, window=15.0, by=by)
    stays = NM < 860 if side == "below" else NM >= 860
    assert found.spectra.values[:, stays].tobytes() == rows[:, stays].tobytes()
    assert given_spectra.values.tobytes() == before.tobytes()
    assert found.spectra.keys == given_spectra.keys
    again = levelled(found.spectra, 860.0, side, window=15.0, by=by)
    np.testing.assert_allclose(again.amount, 0.0 if by == "offset" else 1.0, atol=1e-12)


def test_a_factor_keeps_what_a_changed_gain_keeps():
    """Two parts of unlike transmittance under one changed gain: each gets its own step back."""
    true = np.stack([90 + 0.01 * (NM - 860), 10 - 0.02 * (NM - 860)])
    found = levelled(spectra_of(true * np.where(NM >= 860, 1.004, 1.0)), 860.0, "below",
                     window=20.0, by="factor")  # fmt: skip
    np.testing.assert_allclose(found.spectra.values, true, rtol=1e-12)
    np.testing.assert_allclose(found.amount, 1 / 1.004, rtol=1e-12)
    as_absorbance = levelled(
        spectra_of(-np.log10(true[:, :] / 100) - np.log10(1.004) * (NM >= 860), "A"),
        860.0, "below", window=3.0,
    )  # fmt: skip
    np.testing.assert_allclose(as_absorbance.amount, np.log10(1.004), atol=2e-5)


def test_what_cannot_be_levelled_has_no_values_and_a_reason():
    rows = np.tile(50.0 + (NM >= 860), (3, 1))
    rows[1, 55] = np.nan
    rows[2] = np.where(NM >= 860, 0.5, -0.1)
    found = levelled(spectra_of(rows), 860.0, "below", window=10.0, by="factor")
    assert found.reasons == {
        1: "a value is missing from 850 to 859 nm, where the line is drawn",
        2: "a factor needs values above zero on both sides of 860",
    }
    assert np.isnan(found.spectra.values[1:]).all()
    assert np.isnan(found.amount[1:]).all()
    assert not np.isnan(found.spectra.values[0]).any()


@pytest.mark.parametrize(
    ("at", "window", "by", "unit", "words"),
    [
        (800.0, 10.0, "offset", "%T", "a place to level at lies inside, found 800"),
        (950.0, 10.0, "offset", "%T", "the axis runs from 800 to 920 nm"),
        (860.0, 2.0, "offset", "%T", "found 2 points of one side"),
        (860.0, 10.0, "factor", "A", "a changed gain is an offset"),
    ],
)
def test_what_makes_no_sense_is_refused(at, window, by, unit, words):
    with pytest.raises(ValueError, match=words):
        levelled(spectra_of(np.ones(NM.size), unit), at, "below", window=window, by=by)


def test_a_number_depends_on_its_own_spectrum_only():
    rows = 50 + np.random.default_rng(4).normal(0, 0.1, (9, NM.size))
    together = levelled(spectra_of(rows), 860.0, "above", window=15.0)
    for row in range(len(rows)):
        alone = levelled(spectra_of(rows[row]), 860.0, "above", window=15.0)
        assert alone.spectra.values.tobytes() == together.spectra.values[row : row + 1].tobytes()


@pytest.mark.parametrize("side", ["below", "above"])
def test_the_point_on_the_place_is_of_the_longer_wavelengths_on_every_axis(side):
    """Shorter than 860 nm lies above it in wavenumbers; the point at 860 nm has the step."""
    nm = np.arange(840.0, 881.0)
    stepped = np.where(nm >= 860, 90.3, 90.0)
    in_nm = SpectrumSet(Axis(nm, "nm"), [stepped], "%T", ("a",))
    energy = SpectrumSet(Axis(1e7 / nm[::-1], "cm-1"), [stepped[::-1]], "%T", ("a",))
    other = {"below": "above", "above": "below"}[side]
    by_nm = levelled(in_nm, 860.0, side, window=15.0).spectra.values
    by_energy = levelled(energy, 1e7 / 860, other, window=150.0).spectra.values
    level = 90.0 if side == "below" else 90.3
    np.testing.assert_allclose(by_nm, level)
    np.testing.assert_allclose(by_energy, level)
