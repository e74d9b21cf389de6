"""What holds for every kind of requirement, on the examples of the page on quantities.

A number depends on its own spectrum alone, to the last bit; a constant spectrum has the number that
its definition gives, on any grid and in any unit of the axis; a finer grid converges; a spectrum
scaled by a factor has a number that follows from the definition.
"""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.judging import Conditions, judge_columns
from speclake.judging import judgement as engine
from speclake.judging.conditions import Bandwidth
from speclake.judging.deciding import NOT_MEASURABLE
from speclake.judging.taking import TAKERS
from speclake.specs import Specification
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions

PAGE = Path(__file__).parents[2] / "docs/quantities.md"
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)


SPECIFICATIONS = [Specification.from_toml_text(text, "example") for text in EXAMPLES]
OF_ONE_SPECTRUM = [
    pytest.param(each, id=f"{found.name}: {each.id}")
    for found in SPECIFICATIONS
    for each in found.requirements
    if not each.roles
]


def conditions_of(asked) -> Conditions:
    floors = getattr(asked, "floor_curves", ())
    return Conditions(
        angle_deg=asked.angle_deg,
        smoothed=False,
        instrument=floors[0].instrument if floors else "bench 2",
        accessory=floors[0].accessory if floors else "none",
        bandwidths=(Bandwidth(100, 5000, 0.5),),
    )


def column_of(asked, x, values, axis_unit="nm", unit=None):
    """Column of one requirement on spectra whose positions are given in nm, in vacuum."""
    at = convert_positions(x, "nm", "vacuum", axis_unit)
    order = np.argsort(at)
    rows = np.atleast_2d(values)[:, order]
    keys = tuple(f"m{number}" for number in range(len(rows)))
    medium = "vacuum" if axis_unit in ("nm", "um") else None
    spectra = SpectrumSet(
        Axis(at[order], axis_unit, medium), rows, unit or asked.spectral_unit, keys
    )
    spec = Specification(name="s", requirement=(asked,))
    if axis_unit != "nm":
        ends = convert_positions(np.array([100.0, 5000.0]), "nm", "vacuum", axis_unit)
        stretch = Bandwidth(float(ends.min()), float(ends.max()), 0.5)
        conditions = conditions_of(asked)._replace(axis_unit=axis_unit, bandwidths=(stretch,))
    else:
        conditions = conditions_of(asked)
    (column,) = judge_columns(spectra, spec, [conditions] * len(rows)).columns
    assert column.applies.all()
    return column


def grid(asked, step: float = 1.0):
    """Wavelengths in nm with whole steps, somewhat farther than a requirement looks."""
    bands = [asked.band, *getattr(asked, "blocking_bands", ()), asked.at and (asked.at, asked.at)]
    ends = np.array([end for band in bands if band for end in band] or [380.0, 780.0])
    at = convert_positions(ends, asked.axis_unit, "vacuum", "nm", "vacuum")
    low, high = np.floor(at.min()) - 30, np.ceil(at.max()) + 30
    return np.linspace(low, high, round((high - low) / step) + 1)


def bump(x):
    """Passband from 505 nm to 595 nm with edges of a few nanometres and one peak."""
    return 23 * (1 + np.tanh((x - 505.3) / 3)) * (1 + np.tanh((594.8 - x) / 3.4))


CURVES: dict[str, Callable] = {
    "green filter": lambda x: bump(x) + 0.02,
    "lowest reflectance": lambda x: 0.2 + 1e-4 * (x - 548.3) ** 2 * (1 + 1e-3 * (x - 548.3)),
    "blocking": lambda x: 4.5 + 0.3 * np.sin(x / 23),
    "leakage": lambda x: bump(x) + 0.004 + 0.001 * np.sin(x / 31),
    "noise at 500 nm": lambda x: 0.05 + 1e-4 * np.sin(2.1 * x),
    "thickness of the oxide": lambda x: 8 + 4 * np.cos(4 * np.pi * 1.46 * 2000 / x),
    "edge of the absorber": lambda x: np.sqrt(np.maximum(1239.841984 / x - 3.2, 0)) * x / 1000,
    "window, film and absorber": lambda x: 90.5 + 0.2 * np.sin(x / 40),
}
CURVES["reflectance there"] = CURVES["lowest reflectance"]


def curve(asked, x):
    """A spectrum on which a requirement of the page has its number."""
    name = next(
        found.name for found in SPECIFICATIONS for each in found.requirements if each is asked
    )
    made = CURVES.get(asked.id, CURVES.get(name, lambda x: 50 + 0.9 * np.sin(x / 27) + x / 1000))
    return made(x)


def test_each_kind_of_number_is_among_them():
    shown = {type(each) for found in SPECIFICATIONS for each in found.requirements}
    assert shown == set(TAKERS)
    assert len({each.values[0].what for each in OF_ONE_SPECTRUM}) >= 30


@pytest.mark.parametrize("asked", OF_ONE_SPECTRUM)
def test_its_example_has_a_number(asked):
    column = column_of(asked, grid(asked), curve(asked, grid(asked)))
    assert column.outcome[0] != NOT_MEASURABLE, column.reasons


@pytest.mark.parametrize("asked", OF_ONE_SPECTRUM)
@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), order=st.permutations(range(7)), block=st.integers(1, 6))
def test_the_number_of_a_spectrum_is_its_own(asked, seed, order, block):
    """Whatever the order of the rows, what else is in the set, and how it is cut."""
    rng, x = np.random.default_rng(seed), grid(asked)
    rows = curve(asked, x) * rng.uniform(0.97, 1.0, (7, 1)) + rng.normal(0, 1e-4, (7, x.size))
    rows[4, rng.random(x.size) < 0.002] = np.nan
    rows[5:] = [[rng.uniform(-1, 60)], [0.0]]
    together, order = column_of(asked, x, rows), list(order)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engine, "ROWS_AT_ONCE", block)
        assert said(column_of(asked, x, rows)) == said(together)
    assert said(column_of(asked, x, rows[order])) == [said(together)[row] for row in order]
    for row in range(7):
        assert said(column_of(asked, x, rows[row])) == [said(together)[row]]


def said(column) -> list[tuple]:
    """All that a column says of each spectrum, numbers by their bits."""
    numbers = (column.value, column.margin, column.at, column.uncertainty.expanded, column.guard)
    return [
        (*(number[row].tobytes() for number in numbers), column.bound[row], column.outcome[row],
         column.reasons[column.reason[row]])
        for row in range(len(column.value))
    ]  # fmt: skip


MEANS = {
    "mean", "average of readings", "median", "fitted value", "luminous mean", "solar mean",
    "ultraviolet mean", "weighted mean",
}  # fmt: skip
VALUES = {"minimum", "maximum", "value", *MEANS}
CHANGES = {"ripple", "slope", "noise", "largest derivative", "smallest derivative"}
EXTREMES = {"place of maximum", "place of minimum", "value at maximum", "value at minimum"}
CROSSINGS = {"cut-on", "cut-off", "edge steepness", "passband width", "centre between crossings"}
NOT_LINEAR = {"internal transmittance", "absorption coefficient", "colour"}
"""Held by published values only: no simple law says what a level or a factor does to them."""


def of_a_constant(asked, level):
    """Number of a constant spectrum; None where it has none, ... where no simple law tells it."""
    what = asked.what
    if what in VALUES:
        return level
    if what in CHANGES:
        return 0.0
    if what in EXTREMES | CROSSINGS | {"film thickness"}:
        return None
    if what == "share above level":
        return 100.0 if level >= asked.level else 0.0
    if what == "centroid":
        return sum(asked.band) / 2
    if what == "distance to mask":
        below = [level - limit for _, limit in asked.lower]
        return min(below + [limit - level for _, limit in asked.upper])
    return of_a_dark_constant(asked, level)


def of_a_dark_constant(asked, level):
    if asked.what == "optical density":
        return level if asked.spectral_unit == "A" else -np.log10(level / 100)
    if asked.what == "leakage":
        wide = sum(high - low for low, high in asked.blocking_bands)
        return 100 * wide / (asked.band[1] - asked.band[0]) if asked.band else level
    assert asked.what in NOT_LINEAR | {"band edge"}
    return ...


@pytest.mark.parametrize("asked", OF_ONE_SPECTRUM)
@settings(max_examples=12, deadline=None)
@given(
    level=st.integers(10, 8900).map(lambda number: number / 100),
    axis_unit=st.sampled_from(["nm", "um", "cm-1", "eV"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_constant_has_the_number_of_its_definition(asked, level, axis_unit, seed):
    if asked.spectral_unit == "A":
        level /= 20
    x = grid(asked, 0.8)
    x[1:-1] += np.random.default_rng(seed).uniform(-0.1, 0.1, x.size - 2)
    table = getattr(asked, "table", None)
    if axis_unit in ("cm-1", "eV") and asked.axis_unit == "nm" and table is None:
        # wavenumbers say nothing of air, and a band of wavelengths has to
        asked = asked.model_copy(update={"medium": "vacuum"})
    column = column_of(asked, x, np.full(x.size, level), axis_unit)
    expected = of_a_constant(asked, level)
    if expected is None:
        assert np.isnan(column.value[0])
        assert column.reasons[column.reason[0]]
    elif expected is ...:
        assert np.isfinite(column.value[0])
    else:
        assert column.value[0] == pytest.approx(expected, rel=1e-11, abs=1e-12)


@pytest.mark.parametrize("asked", OF_ONE_SPECTRUM)
def test_a_finer_grid_converges(asked):
    found = [
        column_of(asked, x, curve(asked, x)).value[0]
        for x in (grid(asked, step) for step in (1.0, 0.5, 0.25, 0.125))
    ]
    steps = np.abs(np.diff(found))
    size = max(1e-3, abs(found[-1]))
    assert steps[2] <= max(0.7 * steps[0], 1e-9 * size)
    assert steps[2] <= 2e-3 * size


SCALED = VALUES | CHANGES | {"value at maximum", "value at minimum", "distance to mask"}
UNMOVED = {
    *CROSSINGS, "centroid", "place of maximum", "place of minimum", "film thickness", "band edge",
    "leakage", "share above level",
}  # fmt: skip


def under_a_factor(asked, value, factor):
    """Number of a spectrum multiplied by a factor, from its number before."""
    if asked.what in SCALED:
        return value * factor
    if asked.what == "optical density":
        return value - np.log10(factor)
    assert asked.what in UNMOVED
    return value


def with_levels(asked, factor):
    """The requirement with its own levels in the unit of the spectrum scaled, too."""
    found = asked
    for name in ("level", "to_level", "middle_level"):
        if getattr(asked, "relative_to", "nothing") == "nothing" and getattr(asked, name, None):
            found = found.model_copy(update={name: getattr(asked, name) * factor})
    for name in ("lower", "upper"):
        knots = tuple((at, limit * factor) for at, limit in getattr(asked, name, ()))
        if knots:
            found = found.model_copy(update={name: knots})
    return found


@pytest.mark.parametrize(
    "asked", [each for each in OF_ONE_SPECTRUM if each.values[0].what not in NOT_LINEAR]
)
@pytest.mark.parametrize("factor", [0.5, 0.8])
def test_a_factor_does_to_the_number_what_the_definition_says(asked, factor):
    x = grid(asked)
    values = curve(asked, x)
    less = values - np.log10(factor) if asked.what == "optical density" else values * factor
    before = column_of(asked, x, values).value[0]
    after = column_of(with_levels(asked, factor), x, less).value[0]
    assert after == pytest.approx(under_a_factor(asked, before, factor), rel=1e-9, abs=1e-9)
