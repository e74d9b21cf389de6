"""Noise for its requirements."""

from collections.abc import Mapping

from speclake.judging.taking.given import Given, Taker
from speclake.judging.taking.places import place_of
from speclake.quantities.noise import rms_noise
from speclake.quantities.values import Values
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.noise import NoiseRequirement
from speclake.spectrum import SpectrumSet


def _noise(spectra: SpectrumSet, asked: NoiseRequirement, _: Given) -> Values:
    return rms_noise(spectra, place_of(asked), asked.degree)


TAKERS_OF_NOISE: Mapping[type[Requirement], Taker] = {NoiseRequirement: _noise}
