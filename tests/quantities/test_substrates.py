"""Substrates: limits of the formulas, shapes, and energy that is neither lost nor made."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import speclake.quantities.substrates
from speclake.errors import NotFound
from speclake.quantities import substrates

SILICA = substrates.material("fused silica")
FRACTIONS = st.floats(0, 1)


@pytest.mark.parametrize("at", [193.368, 209.999, 3710.1, np.nan])
def test_no_index_is_given_outside_the_published_range(at):
    with pytest.raises(ValueError, match=r"known from 210 nm to 3710 nm, found"):
        substrates.refractive_index(SILICA, [500, at])


def test_an_unknown_material_is_told_with_those_there_are():
    with pytest.raises(NotFound, match="'quartz'; there are: fused silica, borosilicate crown"):
        substrates.material("quartz")


def test_shapes_are_kept():
    grid = np.linspace(300, 900, 12).reshape(3, 2, 2)
    index = substrates.refractive_index(SILICA, grid)
    flat = substrates.refractive_index(SILICA, grid.ravel())
    assert index.shape == grid.shape
    assert np.array_equal(index.ravel(), flat)
    assert substrates.face_reflectance(index, angle_deg=8).shape == grid.shape


@given(face=st.floats(0, 0.9), internal=FRACTIONS)
def test_what_is_neither_transmitted_nor_reflected_was_absorbed(face, internal):
    transmitted = substrates.plate_transmittance(face, internal)
    reflected = substrates.plate_reflectance(face, internal)
    assert -1e-12 <= 1 - transmitted - reflected <= 1 - internal + 1e-12


@given(face=st.floats(0, 0.9), internal=st.floats(-0.1, 1.05))
def test_the_internal_transmittance_is_found_again(face, internal):
    transmitted = substrates.plate_transmittance(face, internal)
    found = substrates.internal_of_plate(transmitted, face)
    assert found == pytest.approx(internal, abs=1e-12)


@given(index=st.floats(1, 3), angle=st.floats(0, 89))
def test_one_face_reflects_more_s_than_p(index, angle):
    s, p, both = (
        substrates.face_reflectance(index, angle_deg=angle, polarisation=polarisation)
        for polarisation in ("s", "p", "unpolarised")
    )
    assert 0 <= p <= s + 1e-15 <= 1 + 1e-12
    assert both == pytest.approx((s + p) / 2)


def test_the_examples_of_the_docstrings_hold():
    found = doctest.testmod(speclake.quantities.substrates)
    assert found.attempted
    assert not found.failed
