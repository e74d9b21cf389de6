"""Which window and polynomial to believe at a change-over, for each spectrum of a set."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from speclake.fitness.pointnoise import ORDER, noise_of, shared_noise
from speclake.fitness.stepfits import FITS_BELOW, Fits, Model, fitted
from speclake.spectrum import FloatArray

SIDE_WINDOWS = 5.0
"""Windows to either side over which the noise there is taken."""
SURE = 3.5
"""Standard uncertainties of both by which what is left may exceed the noise of a side."""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Sides:
    """Points below and above a change-over over which the noise of either side is taken."""

    positions: FloatArray
    below: slice
    above: slice

    @classmethod
    def about(cls, positions: FloatArray, offsets: FloatArray, window_nm: float) -> "Sides":
        """Points up to five windows away; other change-overs between do not matter to a median.

        Parameters
        ----------
        positions, offsets : of the points of the axis, in its unit, and from the place in nm.
        """
        slices = []
        for side in (offsets < 0, offsets > 0):
            near = np.flatnonzero(side & (np.abs(offsets) <= SIDE_WINDOWS * window_nm))
            ends = (int(near[0]), int(near[-1]) + 1) if near.size else (0, 0)
            slices.append(slice(*ends))
        return cls(positions, slices[0], slices[1])

    def allowed(self, roughness: FloatArray, freedom: tuple[float, float]) -> FloatArray:
        """Most that noise leaves of a polynomial on either side, shape (2, n); NaN if not known.

        Parameters
        ----------
        roughness : squared differences of the whole spectra.
        """
        found = np.empty((2, len(roughness)))
        for number, side in enumerate((self.below, self.above)):
            own = noise_of(roughness[:, side.start : max(side.stop - ORDER, side.start)])
            found[number] = own.noise * self._sure(own.relative_uncertainty, freedom[number])
        return found

    def shared(
        self, values: FloatArray, freedom: tuple[float, float]
    ) -> tuple[FloatArray, FloatArray]:
        """The same if neighbouring points share their noise, and over how many they do at most."""
        found, points = np.empty((2, len(values))), np.ones(len(values))
        for number, side in enumerate((self.below, self.above)):
            own = shared_noise(values[:, side], self.positions[side])
            found[number] = own.noise * self._sure(own.relative_uncertainty, freedom[number])
            points = np.maximum(points, own.points)
        return found, points

    @staticmethod
    def _sure(relative: float, freedom: float) -> float:
        return 1.0 + SURE * float(np.hypot(relative, (2 * freedom) ** -0.5))


@dataclass(frozen=True, eq=False)
class Choice:
    """Fits of all rows, each with the model that was chosen for it.

    Parameters
    ----------
    numbers : fields of `Fits`, each of shape (n,).
    chosen : number of the model of each row.
    fits : whether it fits: its next two powers are no more than noise, and so is what is left.
    allowed : most that noise leaves on either side, shape (2, n).
    alike : over how many neighbouring points the noise may be alike, shape (n,); 1 where nothing
        speaks for it.
    """

    numbers: dict[str, FloatArray]
    chosen: npt.NDArray[np.intp]
    fits: BoolArray
    allowed: FloatArray
    alike: FloatArray

    def only(self, rows: npt.NDArray[np.intp]) -> "Choice":
        """These rows alone."""
        numbers = {name: each[rows] for name, each in self.numbers.items()}
        own = (self.chosen[rows], self.fits[rows], self.allowed[:, rows], self.alike[rows])
        return Choice(numbers, *own)

    def put(self, rows: npt.NDArray[np.intp], other: "Choice", first: int) -> None:
        """Take rows over from a choice among other models, numbered from `first`."""
        for name, numbers in self.numbers.items():
            numbers[rows] = other.numbers[name]
        self.chosen[rows] = other.chosen + first
        self.fits[rows] = other.fits
        self.allowed[:, rows] = other.allowed
        self.alike[rows] = other.alike


def chosen(
    values: FloatArray,
    roughness: FloatArray,
    tried: Sequence[Model],
    least: FloatArray,
    sides: Sides,
) -> Choice:
    """Of each row the fit of the first model that fits, else that of the last one.

    Parameters
    ----------
    values : shape (n, p), none missing.
    roughness : shape (n, p - 6), their squared differences.
    tried : not empty.
    least : noise of the last digit, shape (n,).
    """
    found = {each.name: np.full(len(values), np.nan) for each in fields(Fits)}
    number_of = np.full(len(values), len(tried) - 1, dtype=np.intp)
    well = np.zeros(len(values), dtype=bool)
    freedom = tried[0].freedom
    allowed = sides.allowed(roughness, freedom)
    shared, alike = np.zeros(len(values), dtype=bool), np.ones(len(values))
    left = np.arange(len(values))
    for number, model in enumerate(tried):
        fits = fitted(values[left, model.start : model.stop], model, least[left])
        for name in found:
            found[name][left] = getattr(fits, name)
        number_of[left] = number
        high = is_high(fits, allowed[:, left], least[left])
        straight = fits.misfit < FITS_BELOW
        new = left[high & straight & ~shared[left]]
        if new.size:
            # neighbours may share their noise, which differences of neighbours do not show
            most, alike[new] = sides.shared(values[new], freedom)
            allowed[:, new] = np.fmax(allowed[:, new], most)
            shared[new] = True
            high = is_high(fits, allowed[:, left], least[left])
        well[left] = straight & ~high
        left = left[~well[left]]
        if not left.size:
            break
    return Choice(found, number_of, well, allowed, alike)


def is_high(fits: Fits, allowed: FloatArray, least: FloatArray) -> BoolArray:
    """Whether more is left than noise, on either side; no noise known is no reason."""
    limits = np.fmax(allowed, 2.0 * least)
    found: BoolArray = (fits.noise_below > limits[0]) | (fits.noise_above > limits[1])
    return found
