"""Steps of level and slope at a place of a spectrum, from polynomials with a break in them.

On both sides of the place runs one polynomial; from the place on a step and a change of slope are
added to it. All are fitted together by least squares in a window about the place. The point on the
place itself is left out: which side it was measured on is not known.

The variance of the noise is taken from what is left, on each side by itself, and their sum has the
degrees of freedom of B. L. Welch, The generalization of Student's problem when several different
population variances are involved, Biometrika 34 (1947) 28-35. With N points a side, even steps and
noise s, the step has the variance 8 s²/N with a polynomial of degree 2 and 14.2 s²/N with degree 4
(computed: what of the step the odd powers leave over).
"""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from speclake.spectrum import FloatArray

DEGREES = (2, 4)
SCALES = (4.0, 2.0, 1.0, 0.5)
"""Half-widths of windows to try, in the window of the settings."""
FEWEST = 8
"""Points that each side of a window needs."""
FITS_BELOW = 4.0
"""Mean square of the next two powers over that of the noise, up to which a polynomial fits: with
noise alone 2 % of the windows show more (F distribution with 2 and 70 degrees of freedom)."""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Model:
    """A window with its polynomial: points ``start`` to ``stop`` of the axis.

    Parameters
    ----------
    columns : shape (k, q), orthonormal on the points that count and zero on the others; the last
        two are the next two powers.
    estimates : shape (4, q), weights of the step, of the change of slope per nm, of the level at
        the place (mean of both sides), and of the step with two powers more.
    slope_of_higher : shape (q,), the change of slope with two powers more.
    left_out : points that do not count, as indices into the window.
    above : shape (q,), which points lie above the place.
    """

    start: int
    stop: int
    half_nm: float
    degree: int
    columns: FloatArray
    estimates: FloatArray
    slope_of_higher: FloatArray
    left_out: npt.NDArray[np.intp]
    above: BoolArray
    freedom: tuple[float, float] = field(init=False)
    sides: "_Sides" = field(init=False)

    def __post_init__(self) -> None:
        counted = np.ones(self.above.size, dtype=bool)
        counted[self.left_out] = False
        held = (self.columns * self.columns).sum(axis=0)
        sides = (counted & ~self.above, counted & self.above)
        freedom = tuple(max(float(side.sum() - held[side].sum()), 1.0) for side in sides)
        object.__setattr__(self, "freedom", freedom)
        object.__setattr__(self, "sides", _Sides.of(self, int(np.flatnonzero(counted)[0])))


@dataclass(frozen=True, eq=False)
class _Sides:
    """What a model needs at hand for many rows.

    Parameters
    ----------
    origin : first point that counts; without its value a row keeps more digits for its noise.
    cut : first point of the second side.
    weights : shape (5 + 2 k, q): estimates, columns, and columns with the first side alone.
    gram : shape (k, k), products of the columns over the first side.
    shares : shape (2, 5), sums of the squared estimates below and above the place.
    """

    origin: int
    cut: int
    weights: FloatArray
    gram: FloatArray
    shares: FloatArray

    @classmethod
    def of(cls, model: Model, origin: int) -> "_Sides":
        """What the model implies."""
        cut = int(np.flatnonzero(np.diff(model.above))[0]) + 1
        first = model.columns.copy()
        first[:, cut:] = 0.0
        estimates = np.vstack([model.estimates, model.slope_of_higher])
        squared = estimates * estimates
        return cls(
            origin=origin,
            cut=cut,
            weights=np.vstack([estimates, model.columns, first]),
            gram=first @ first.T,
            shares=np.stack([squared[:, ~model.above].sum(1), squared[:, model.above].sum(1)]),
        )


def model_at(
    offsets: FloatArray, bounds: tuple[float, float], half_nm: float, degree: int,
    beside_nm: float, missing: BoolArray | None = None,
) -> Model | None:  # fmt: skip
    """Window about a place, or None where a side of it has too few points.

    Parameters
    ----------
    offsets : from the place to each point of the axis in nm, shape (p,), rising or falling.
    bounds : offsets that the window may not go beyond: the next change-overs.
    half_nm : how far the window reaches to both sides.
    beside_nm : points this near to the place are left out.
    missing : shape (p,), points without a value.
    """
    low, high = max(-half_nm, bounds[0]), min(half_nm, bounds[1])
    inside = np.flatnonzero((offsets >= low) & (offsets < high))
    if inside.size < 2 * FEWEST:
        return None
    start, stop = int(inside[0]), int(inside[-1]) + 1
    offsets = offsets[start:stop]
    counted = np.abs(offsets) > beside_nm
    if missing is not None:
        counted &= ~missing[start:stop]
    above = offsets > 0
    needed = max(FEWEST, (degree + 6) // 2 + 2)
    if min((counted & above).sum(), (counted & ~above).sum()) < needed:
        return None
    t = offsets / half_nm
    powers = t[:, np.newaxis] ** np.arange(degree + 3)
    broken = np.stack([above.astype(float), t * above], axis=1)
    lower, higher = powers[:, : degree + 1], powers
    own = np.hstack([lower, broken])[counted]
    inverse = np.linalg.pinv(own)
    wider = np.linalg.pinv(np.hstack([higher, broken])[counted])
    basis = np.zeros((t.size, degree + 5))
    basis[counted] = np.linalg.qr(np.hstack([lower, broken, powers[:, degree + 1 :]])[counted])[0]
    estimates = np.zeros((4, t.size))
    step = degree + 1
    estimates[0, counted] = inverse[step]
    estimates[1, counted] = inverse[step + 1] / half_nm
    estimates[2, counted] = inverse[0] + inverse[step] / 2.0
    estimates[3, counted] = wider[degree + 3]
    slope = np.zeros(t.size)
    slope[counted] = wider[degree + 4] / half_nm
    return Model(
        start, stop, half_nm, degree, np.ascontiguousarray(basis.T), estimates, slope,
        np.flatnonzero(~counted), above,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Fits:
    """What a model finds in each row, every array of shape (n,), in the unit of the values.

    Parameters
    ----------
    step, slope : change at the place; the slope per nm.
    level : at the place, the mean of both sides.
    step_error, slope_error : standard uncertainties for independent noise.
    freedom : degrees of freedom of `step_error`.
    misfit : mean square of the next two powers over that of the noise.
    noise_below, noise_above : standard deviation of what is left on either side.
    higher_step, higher_step_error, higher_slope, higher_slope_error : with two powers more.
    """

    step: FloatArray
    slope: FloatArray
    level: FloatArray
    step_error: FloatArray
    slope_error: FloatArray
    freedom: FloatArray
    misfit: FloatArray
    noise_below: FloatArray
    noise_above: FloatArray
    higher_step: FloatArray
    higher_step_error: FloatArray
    higher_slope: FloatArray
    higher_slope_error: FloatArray


def fitted(values: FloatArray, model: Model, least_noise: FloatArray | float = 0.0) -> Fits:
    """Fits of a model to rows; each number depends on its own row only.

    Parameters
    ----------
    values : shape (n, q), of the window; what is left out may be missing, nothing else.
    least_noise : shape (n,) or a number: noise below which that of the residuals is not believed,
        as that of the last digit.
    """
    sides, own = model.sides, _own(values, model)
    # each sum runs along its own row, in an order that depends on the window alone
    sums = np.einsum("ij,kj->ik", own, sides.weights)
    parts = np.ascontiguousarray(sums[:, _ESTIMATES : _ESTIMATES + len(model.columns)])
    of_first = sums[:, _ESTIMATES + len(model.columns) :]
    below, above = (
        np.maximum(each / freedom, np.square(least_noise))
        for each, freedom in zip(_squares(own, model, parts, of_first), model.freedom, strict=True)
    )
    variances = below[:, np.newaxis] * sides.shares[0] + above[:, np.newaxis] * sides.shares[1]
    step_below, step_above = below * sides.shares[0, 0], above * sides.shares[1, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        freedom = variances[:, 0] ** 2 / (
            step_below**2 / model.freedom[0] + step_above**2 / model.freedom[1]
        )
        pooled = (below * model.freedom[0] + above * model.freedom[1]) / sum(model.freedom)
        misfit = (parts[:, -2] ** 2 + parts[:, -1] ** 2) / 2.0 / pooled
    errors = np.sqrt(variances)
    return Fits(
        step=sums[:, 0],
        slope=sums[:, 1],
        level=sums[:, 2] + values[:, sides.origin],
        step_error=errors[:, 0],
        slope_error=errors[:, 1],
        freedom=np.where(np.isfinite(freedom), freedom, sum(model.freedom)),
        misfit=np.where(np.isnan(misfit), 0.0, misfit),
        noise_below=np.sqrt(below),
        noise_above=np.sqrt(above),
        higher_step=sums[:, 3],
        higher_step_error=errors[:, 3],
        higher_slope=sums[:, 4],
        higher_slope_error=errors[:, 4],
    )


_ESTIMATES = 5


def _squares(
    own: FloatArray, model: Model, parts: FloatArray, of_first: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Sums of squares that the model leaves below and above the place, by the normal equations.

    Parameters
    ----------
    parts, of_first : shape (n, k), sums along the columns, and along their first sides alone.
    """
    cut = model.sides.cut
    squares = own * own
    bent = np.einsum("ik,lk->il", parts, model.sides.gram) - 2.0 * of_first
    first = np.add.reduce(squares[:, :cut], axis=1) + np.add.reduce(parts * bent, axis=1)
    both = np.add.reduce(parts * (parts + bent), axis=1)
    second = np.add.reduce(squares[:, cut:], axis=1) - both
    found = (np.maximum(first, 0.0), np.maximum(second, 0.0))
    return found[::-1] if model.above[0] else found


def residuals(values: FloatArray, model: Model) -> FloatArray:
    """What a model with its next two powers leaves of each row, shape (n, q); 0 where left out."""
    left = _own(values, model)
    for column in model.columns:
        left = left - np.add.reduce(left * column, axis=1)[:, np.newaxis] * column
    return left


def _own(values: FloatArray, model: Model) -> FloatArray:
    own: FloatArray = values - values[:, model.sides.origin, np.newaxis]
    own[:, model.left_out] = 0.0
    return own


@lru_cache(maxsize=512)
def models(
    axis: bytes,
    bounds: tuple[float, float],
    window_nm: float,
    beside_nm: float,
    missing: bytes | None = None,
) -> tuple[Model, ...]:
    """Models to try at a place, those that know a step best first.

    Parameters
    ----------
    axis : offsets from the place to the points of the axis, in nm, as bytes.
    missing : which points have no value, as bytes of booleans.
    """
    offsets = np.frombuffer(axis)
    holes = None if missing is None else np.frombuffer(missing, dtype=bool)
    found = []
    for scale in SCALES:
        for degree in DEGREES:
            half = scale * window_nm
            model = model_at(offsets, bounds, half, degree, beside_nm, holes)
            if model is not None:
                found.append(model)
    return tuple(sorted(found, key=lambda model: float((model.estimates[0] ** 2).sum())))
