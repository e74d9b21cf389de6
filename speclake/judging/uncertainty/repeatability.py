"""Lines of a budget from scans repeated on one piece, for a person to put into it."""

import json
from collections.abc import Iterable

import numpy as np

from speclake.quantities.places import Place
from speclake.specs.requirements.uncertainty import BudgetLine, LineUnit
from speclake.spectrum import SpectrumSet


def repeatability(spectra: SpectrumSet, place: Place) -> tuple[BudgetLine, BudgetLine]:
    """Two lines from scans repeated on one piece: what moves as a whole, and what does not.

    The first is the standard deviation of the mean over the band from scan to scan: it is alike at
    all points. The second is the noise: what is left of each point when the mean of its scan and
    the mean of its position are taken away. A band within which the instrument behaves alike is to
    be chosen; a line holds for a single scan.

    Parameters
    ----------
    spectra : two scans or more of one piece, in the configuration that the budget is for.

    Raises
    ------
    ValueError
        There are too few scans or points, a value is missing, or all scans are alike.

    References
    ----------
    JCGM 100:2008, 4.2 (type A evaluation); analysis of variance with one reading a cell, common
    practice.

    Examples
    --------
    Two scans, the second 0.2 %T higher and 0.3 %T higher at the last point.

    >>> from speclake.spectrum import Axis
    >>> two = np.array([[90.0, 91.0, 90.0], [90.2, 91.2, 90.3]])
    >>> pair = SpectrumSet(Axis([500.0, 501.0, 502.0], "nm"), two, "%T", ("a", "b"))
    >>> level, noise = repeatability(pair, Place(low=500, high=502))
    >>> print(f"{level.standard:.4f} {level.degrees_of_freedom:g}")
    0.1650 1
    >>> print(f"{noise.standard:.4f} {noise.degrees_of_freedom:g}")
    0.0408 2
    """
    window = place.on(spectra)
    if window.problem is not None:
        raise ValueError(f"the whole band; {window.problem}")
    values = spectra.values[:, window.start : window.stop]
    n, q = values.shape
    if n < 2 or q < 2:
        raise ValueError(f"two scans and two points or more, found {n} scans of {q} points")
    if np.isnan(values).any():
        raise ValueError("scans without a missing value in the band")
    levels = values.mean(axis=1)
    rest = values - levels[:, np.newaxis] - values.mean(axis=0) + values.mean()
    freedom = (n - 1) * (q - 1)
    noise = float(np.sqrt((rest**2).sum() / freedom))
    drift = float(levels.std(ddof=1))
    # no more than the rounding of these sums
    if min(noise, drift) <= 1e-12 * np.abs(values).max():
        raise ValueError("scans that differ: these are one scan, or exported with too few digits")
    at = f"{place.low:g} {place.unit} to {place.high:g} {place.unit}"
    said = f"{n} repeated scans, {at}"
    unit: LineUnit = spectra.unit
    return (
        _line(f"level from scan to scan, {said}", drift, unit, n - 1, is_alike=True),
        _line(f"noise of a single scan, {said}", noise, unit, freedom, is_alike=False),
    )


def _line(
    source: str, standard: float, unit: LineUnit, freedom: int, *, is_alike: bool
) -> BudgetLine:
    return BudgetLine(
        name="repeatability" if is_alike else "noise",
        source=source,
        unit=unit,
        u=float(f"{standard:.3g}"),
        correlation="full" if is_alike else "none",
        degrees_of_freedom=freedom,
    )


def as_text(lines: Iterable[BudgetLine]) -> str:
    """Lines as a budget file has them."""
    return "\n".join(_table(each) for each in lines)


def _table(line: BudgetLine) -> str:
    entries = [f"{key} = {_entry(value)}" for key, value in line.model_dump().items() if value]
    return "\n".join(("[[lines]]", *entries, ""))


def _entry(value: str | float) -> str:
    # a text in JSON is a text in TOML, too
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else f"{value:g}"
