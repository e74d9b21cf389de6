"""What several checks share of the spectra that they look at."""

from math import sqrt

import numpy as np
import pytest

from speclake.fitness import Circumstances
from speclake.fitness.grids import grid_of
from speclake.fitness.physical import BEND_OF_NOISE
from speclake.fitness.subject import Subject
from speclake.measurement import Range
from speclake.settings import Fitness
from speclake.spectrum import Axis, SpectrumSet


def subject(values, unit="%T", known=None, nm=None):
    values = np.atleast_2d(np.asarray(values, dtype=float))
    axis = Axis(np.arange(values.shape[1]) + 500.0 if nm is None else nm, "nm", "air")
    spectra = SpectrumSet(axis, values, unit, tuple(map(str, range(len(values)))))
    return Subject(spectra, known or [Circumstances()] * len(values), Fitness())


def test_what_is_missing_is_bridged_straight_and_goes_on_level_at_the_ends():
    nan = np.nan
    looked = subject([[nan, 1.0, nan, nan, 4.0, nan], [1.0, 2, 3, 4, 5, 6], [nan] * 6])
    assert looked.filled.tolist() == [[1, 1, 2, 3, 4, 4], [1, 2, 3, 4, 5, 6], [0] * 6]
    assert looked.missing.sum(axis=1).tolist() == [4, 0, 6]
    assert np.isnan(looked.spectra.values).sum() == 10
    whole = subject([[1.0, 2, 3]])
    assert whole.missing is None
    assert whole.filled is whole.spectra.values


@pytest.mark.parametrize(
    ("unit", "value", "percent"),
    [("%T", 50.0, 50.0), ("T", 0.5, 50.0), ("R", 0.1, 10.0), ("A", 2.0, 1.0), ("log(1/R)", 1, 10)],
)
def test_light_is_in_percent_whatever_the_unit(unit, value, percent):
    assert subject([[value] * 3], unit).light == pytest.approx(percent)


def test_bends_of_noise_are_the_fourth_difference_over_six():
    # sum of the squared binomials 1, 4, 6, 4, 1 is 70
    noise = np.random.default_rng(1).standard_normal((200, 1000))
    looked = subject(noise)
    assert looked.bends == pytest.approx(np.diff(noise, 4, axis=1) / 6)
    assert looked.bends.std() == pytest.approx(sqrt(70) / 6, rel=0.01)
    assert sqrt(70) / 6 == BEND_OF_NOISE


def test_a_cubic_does_not_bend():
    x = np.linspace(-1, 1, 60)
    assert subject([3 + x - 2 * x**2 + 5 * x**3]).bends == pytest.approx(0, abs=1e-12)
    assert subject([[1.0, 2.0, 3.0]]).bends.shape == (1, 0)


def test_digits_are_told_or_found():
    told = [Circumstances(last_digit=0.01), Circumstances(), Circumstances()]
    values = [[1.0, 1.5, 2.0, 2.0], [1.0, 1.0, 1.25, 2.0], [3.0] * 4]
    assert subject(values, known=told).digits.tolist() == [0.01, 0.25, np.inf]


def test_rows_are_grouped_by_how_they_were_measured():
    one, other = (Range(500, 600, 2.0),), (Range(500, 600, 3.0),)
    same = (Range(500, 600, 2.0),)
    known = [Circumstances(ranges=r) for r in (one, other, (), same, one)]
    assert subject(np.ones((5, 3)), known=known).by_ranges == {one: [0, 3, 4], other: [1]}


def test_places_in_nm_become_places_on_the_axis():
    axis = Axis(np.array([10000.0, 20000.0]), "cm-1")
    looked = Subject(SpectrumSet(axis, np.ones((1, 2)), "A", ("a",)), [Circumstances()], Fitness())
    assert looked.nm.tolist() == [1000.0, 500.0]
    assert looked.place(800.0) == pytest.approx(12500.0)


def test_a_gap_tells_how_many_points_it_lacks():
    (gap,) = grid_of(Axis(np.r_[np.arange(30.0), np.arange(33.0, 60.0)], "nm")).gaps
    assert (gap.start, gap.stop, gap.step, gap.points) == (29.0, 33.0, 1.0, 3)
