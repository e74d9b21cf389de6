"""Noise of spectra in a window."""

import numpy as np

from speclake.quantities.bands import holes_said
from speclake.quantities.places import Place
from speclake.quantities.values import Values
from speclake.spectrum import SpectrumSet

SPARE_POINTS = 10
"""Points beyond the coefficients of the polynomial, below which a noise says too little.

The rms of 10 is known to 1/sqrt(20), 22 % (k = 1).
"""


def rms_noise(spectra: SpectrumSet, place: Place, degree: int) -> Values:
    """Rms of what is left of each spectrum in a window without its trend, in the unit of the set.

    The trend is the polynomial of least squares through the points of the window, each counted
    once. The sum of squares is divided by the degrees of freedom, the number of points less that of
    the coefficients. Common practice.

    Parameters
    ----------
    degree : 0 to 3; structure of the sample that such a polynomial does not follow counts as noise.

    Returns
    -------
    Values
        With the standard uncertainty of an rms of independent, normally distributed noise. Noise
        that is alike in neighbouring points, as after smoothing, is less certain than that.

    Examples
    --------
    >>> from speclake.spectrum import Axis
    >>> axis = Axis(np.arange(400.0, 416.0), "nm")
    >>> one = SpectrumSet(axis, np.array([[1.0, -1.0] * 8]), "%T", ("a",))
    >>> print(rms_noise(one, Place(low=400, high=415), 0).value ** 2 * 15)
    [16.]
    """
    if degree not in range(4):
        raise ValueError(f"a polynomial of degree 0 to 3, found {degree}")
    window = place.on(spectra)
    if window.problem is not None:
        return Values.of_none(len(spectra), window.problem)
    inner = window.positions
    inner = inner[(window.before is not None) : inner.size - (window.after is not None)]
    freedom = inner.size - degree - 1
    if freedom < SPARE_POINTS:
        needed = degree + 1 + SPARE_POINTS
        words = f"{inner.size} points for a noise without a trend of degree {degree}"
        return Values.of_none(len(spectra), f"{words}; it needs {needed}")
    values = spectra.values[:, window.start : window.stop]
    # without its first value a row keeps more digits for its noise, and a constant has none
    left = np.ascontiguousarray(values - values[:, :1])
    scaled = (2 * inner - (place.low + place.high)) / (place.high - place.low)
    basis, _ = np.linalg.qr(np.vander(scaled, degree + 1, increasing=True))
    for column in np.ascontiguousarray(basis.T):
        # one column after the other and row by row: no sum depends on how many rows there are
        left = left - np.add.reduce(left * column, axis=1)[:, np.newaxis] * column
    found = np.sqrt(np.add.reduce(left * left, axis=1) / freedom)
    positions = spectra.axis.values[window.start : window.stop]
    missing = np.isnan(values)
    holes = np.where(missing.any(axis=1), positions[missing.argmax(axis=1)], np.nan)
    reasons = holes_said(holes, spectra.axis.unit)
    return Values(found, None, reasons, standard_uncertainty=found / np.sqrt(2 * freedom))
