"""Uncertainties from budgets: propagated, chosen by instrument, and put into the outcome."""

from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.judging import Conditions, explain, judge, judge_columns
from speclake.judging.conditions import Bandwidth
from speclake.judging.uncertainty import drawing, propagating
from speclake.judging.uncertainty.fields import errors_of
from speclake.judging.uncertainty.linear import variances
from speclake.judging.uncertainty.lines import variance
from speclake.specs import Outcome, Specification
from speclake.specs.requirements.uncertainty import BudgetLine, StatedUncertainty
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import convert_positions
from tests.judging.test_every_requirement import OF_ONE_SPECTRUM, curve, grid
from tests.judging.test_every_requirement import column_of as of_kind

GRID = np.arange(400.0, 701.0)
NARROW = Conditions(bandwidths=(Bandwidth(300, 800, 1.0),))
FILTER = 95.0 / (1.0 + np.exp(-(GRID - 550.3) / 4.0)) + 0.5 * np.sin(GRID / 7.0) + 1.0

NOISE = {"name": "noise", "source": "invented", "unit": "%T", "u": 0.1, "correlation": "none"}
OFFSET = {"name": "offset", "source": "invented", "unit": "%T", "u": 0.1, "correlation": "full"}
LAMP = {
    "name": "lamp", "source": "invented", "unit": "% of the value", "u": 0.2,
    "correlation": "exponential", "correlation_length_nm": 15,
}  # fmt: skip
SCALE = {"name": "scale", "source": "invented", "unit": "nm", "u": 0.1, "correlation": "full"}
DRAWN_ONCE = [
    [0.20064001727791825, 0.13204652381802842],
    [-0.10321619921247119, -0.01533739910293886],
]
LINES = {"none": NOISE, "full": OFFSET, "exponential": LAMP, "wavelength": SCALE}

MEAN = {"what": "mean", "unit": "%T", "band": [500, 600], "at_least": "40"}
SUMS = {
    "mean": MEAN,
    "mean between points": {**MEAN, "band": [500.3, 590.8]},
    "value": {"what": "value", "unit": "%T", "at": 552.0, "at_least": "40"},
    "value between points": {"what": "value", "unit": "%T", "at": 552.4, "at_least": "40"},
    "average of readings": {**MEAN, "what": "average of readings", "step": 5},
    "luminous mean": {
        "what": "luminous mean", "unit": "%T", "band": [420, 680], "method": "lab method 3",
        "edition": "1", "weights": "CIE illuminant D65 times V(lambda), 5 nm",
        "integration": "table grid", "largest_interval": 5, "at_least": "40",
    },
}  # fmt: skip
EDGE = {
    "what": "cut-on", "of": "%T", "unit": "nm", "band": [480, 620], "level": 50,
    "relative_to": "nothing", "largest_interval": 1, "largest_bandwidth_nm": 2, "at_least": "540",
}  # fmt: skip
DRAWN = {
    "edge": EDGE,
    "median": {**MEAN, "what": "median"},
    "ripple": {**MEAN, "what": "ripple", "definition": "peak to valley", "at_most": "99"},
    "smoothed minimum": {
        **MEAN, "what": "minimum", "at_least": "0", "after_smoothing": {"window": 4, "degree": 1},
    },
    "optical density": {
        "what": "optical density", "definition": "of mean transmittance", "of": "%T", "unit": "OD",
        "band": [420, 500], "largest_interval": 1, "at_least": "1",
    },
    "colour": {
        "what": "colour", "of": "%T", "unit": "units", "band": [400, 700], "number": "b*",
        "illuminant": "D65", "observer": "CIE 1931 2 degree", "method": "summation", "interval": 5,
        "at_least": "-200",
    },
}  # fmt: skip


def specification(requirement, *lines, **more) -> Specification:
    statement = {"lines": list(lines), "k": 2, **more}
    if "coverage" in more:
        del statement["k"]
    stated = {"id": "r", **requirement, "uncertainty": [statement]}
    return Specification.model_validate({"name": "s", "requirement": [stated]})


def set_of(values=FILTER, axis=GRID, unit="%T") -> SpectrumSet:
    rows = np.atleast_2d(values)
    at = axis if isinstance(axis, Axis) else Axis(axis, "nm", "air")
    return SpectrumSet(at, rows, unit, tuple(map(str, range(len(rows)))))


def column_of(spec, spectra, conditions=NARROW):
    return judge_columns(spectra, spec, [conditions] * len(spectra)).columns[0]


def standard(requirement, *lines, values=FILTER, axis=GRID, unit="%T", **more):
    column = column_of(specification(requirement, *lines, **more), set_of(values, axis, unit))
    assert not column.uncertainty.reasons
    return column.uncertainty.standard


@pytest.mark.parametrize("points", [5, 50, 200])
def test_only_what_differs_from_point_to_point_averages_down_over_a_band(points):
    band = {**MEAN, "band": [420, 420 + points]}
    # trapezoids give the two ends half the weight
    expected = 0.1 * np.sqrt(points - 0.5) / points
    assert standard(band, NOISE)[0] == pytest.approx(expected, rel=1e-12)
    assert standard(band, OFFSET)[0] == pytest.approx(0.1, rel=1e-12)
    with_length = [
        standard(band, {**LAMP, "unit": "%T", "correlation_length_nm": length})[0]
        for length in (1e-3, 1.0, 1e9)
    ]
    assert with_length[0] == pytest.approx(2 * expected, rel=1e-9)
    assert with_length[0] < with_length[1] < with_length[2]
    assert with_length[2] == pytest.approx(0.2, rel=1e-6)


def test_a_length_of_correlation_gives_the_double_sum():
    weights = np.ones(101)
    weights[[0, -1]] = 0.5
    parts = weights / 100 * FILTER[100:201] * 0.002
    distance = np.abs(GRID[100:201, np.newaxis] - GRID[100:201])
    expected = np.sqrt(parts @ np.exp(-distance / 15.0) @ parts)
    assert standard(MEAN, LAMP)[0] == pytest.approx(expected, rel=1e-12)


@given(
    steps=st.lists(st.floats(0.1, 30.0), min_size=1, max_size=12),
    parts=st.lists(st.floats(-1.0, 1.0), min_size=13, max_size=13),
    length=st.floats(0.5, 200.0),
    falls=st.booleans(),
)
def test_a_length_of_correlation_holds_on_uneven_steps_and_signs(steps, parts, length, falls):
    at = 400.0 + np.concatenate(([0.0], np.cumsum(steps)))
    at = at[::-1] if falls else at
    line = BudgetLine.model_validate({**LAMP, "correlation_length_nm": length})
    chosen = np.array(parts[: at.size])
    expected = chosen @ np.exp(-np.abs(at[:, np.newaxis] - at) / length) @ chosen
    assert variance(line, chosen[np.newaxis], at)[0] == pytest.approx(expected, abs=1e-12)


def test_an_error_of_the_scale_moves_a_mean_by_what_its_ends_differ():
    slopes = [(FILTER[at + 1] - FILTER[at - 1]) / 2 for at in (100, 200)]
    # the slopes over two steps sum up to the difference of the ends, smoothed over these steps
    rise = sum((FILTER[at + 1] + 2 * FILTER[at] + FILTER[at - 1]) / 4 for at in (200,)) - sum(
        (FILTER[at + 1] + 2 * FILTER[at] + FILTER[at - 1]) / 4 for at in (100,)
    )
    assert standard(MEAN, SCALE)[0] == pytest.approx(0.1 * rise / 100, rel=1e-9)
    value = {"what": "value", "unit": "%T", "at": 500.0, "at_least": "0"}
    assert standard(value, SCALE)[0] == pytest.approx(0.1 * abs(slopes[0]), rel=1e-9)


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("what", SUMS)
def test_draws_agree_with_the_law_of_propagation(what, line):
    requirement = specification(SUMS[what], LINES[line]).requirements[0]
    spectra, draws = set_of(), 20_000
    lines = requirement.uncertainty[0].lines
    value = column_of(specification(SUMS[what], LINES[line]), spectra).value
    exact = np.sqrt(variances(requirement, spectra, np.array([np.nan]), lines)[:, 0])
    found = drawing.drawn(requirement, spectra, [NARROW], value, [(0, lines[0])], draws)
    # five times the relative standard deviation of a standard deviation, 1 / sqrt(2 draws); the
    # errors of the scale take 25 values, between which the curve bends
    assert found.standard == pytest.approx(exact, rel=5 / np.sqrt(2 * draws))
    assert found.unanswered == 0


@pytest.mark.parametrize("unit", ["nm", "um", "cm-1"])
def test_an_edge_is_as_uncertain_as_the_scale_whatever_the_axis_counts(unit):
    positions = convert_positions(GRID, "nm", "vacuum", unit, "vacuum")
    order = np.argsort(positions)
    axis = Axis(positions[order], unit, "vacuum")
    # a step of 1 nm is a little more than that in some decimals
    edge = {**EDGE, "largest_interval": 1.001, "medium": "vacuum"}
    found = standard(edge, SCALE, values=FILTER[order], axis=axis)
    # the equally probable errors have exactly the stated deviation; 1,000 draws less one count
    assert found[0] == pytest.approx(0.1 * np.sqrt(1000 / 999), rel=1e-5)


def test_noise_moves_an_edge_by_its_size_over_the_slope():
    ramp = np.interp(GRID, [500.0, 600.0], [0.0, 100.0])
    at_a_point, between = ({**EDGE, "level": level} for level in (50.0, 50.5))
    draws, small = 20_000, {**NOISE, "u": 0.001}
    for requirement, expected in ((at_a_point, 0.001), (between, 0.001 / np.sqrt(2))):
        found = standard(requirement, small, values=ramp, draws=draws)
        assert found[0] == pytest.approx(expected, rel=5 / np.sqrt(2 * draws))


def test_a_budget_in_percent_serves_a_requirement_in_fractions():
    fraction = {**MEAN, "unit": "T", "at_least": "0.4"}
    in_percent, in_fractions = standard(MEAN, NOISE, LAMP), standard(fraction, NOISE, LAMP)
    assert in_fractions == pytest.approx(in_percent / 100, rel=1e-12)


def test_values_below_zero_go_down_with_a_scale_that_goes_up():
    both = np.where(GRID < 550, -10.0, 10.0)
    full = {**LAMP, "correlation": "full", "correlation_length_nm": None}
    value = {"what": "value", "unit": "%T", "at": 549.5, "at_least": "-90"}
    # in the middle of the step the two errors cancel
    assert standard(value, full, values=both)[0] == pytest.approx(0.0, abs=1e-12)
    assert standard(value, {**full, "unit": "%T"}, values=both)[0] == pytest.approx(0.2)


def test_a_smallest_value_is_as_uncertain_as_the_place_where_it_was_found():
    dip = 90.0 - 5.0 * np.exp(-(((GRID - 560.0) / 10) ** 2))
    smallest = {**MEAN, "what": "minimum", "at_least": "0"}
    assert standard(smallest, LAMP, values=dip)[0] == pytest.approx(0.002 * 85.0, rel=1e-12)
    assert standard(smallest, SCALE, values=dip)[0] == pytest.approx(0.0, abs=1e-9)


def test_a_number_depends_on_its_spectrum_alone(monkeypatch):
    rng = np.random.default_rng(5)
    values = FILTER + rng.normal(0, 0.05, (7, GRID.size))
    every = [NOISE, LAMP, SCALE, OFFSET]
    for requirement in (*SUMS.values(), *DRAWN.values(), {**MEAN, "what": "maximum"}):
        spec = specification(requirement, *every, draws=150, unanswered_at_most=0.5)
        whole = column_of(spec, set_of(values)).uncertainty
        assert not np.isnan(whole.expanded).any()
        turned = column_of(spec, set_of(values[::-1])).uncertainty
        with monkeypatch.context() as patch:
            patch.setattr(propagating, "NUMBERS_AT_ONCE", 300)
            patch.setattr(drawing, "VALUES_AT_ONCE", 10_000)
            cut = column_of(spec, set_of(values)).uncertainty
        alone = column_of(spec, set_of(values[3])).uncertainty
        for name in ("expanded", "noise_bias"):
            found = getattr(whole, name)
            np.testing.assert_array_equal(getattr(turned, name)[::-1], found)
            np.testing.assert_array_equal(getattr(cut, name), found)
            np.testing.assert_array_equal(getattr(alone, name), found[3:4])


def test_the_points_that_a_requirement_does_not_need_change_nothing():
    wide = np.arange(300.0, 901.0)
    values = np.interp(wide, GRID, FILTER)
    for requirement in (EDGE, DRAWN["median"], DRAWN["smoothed minimum"]):
        narrow = standard(requirement, SCALE)
        # six digits are told
        found = standard(requirement, SCALE, values=values, axis=wide)
        assert found == pytest.approx(narrow, rel=2e-6)


def test_a_band_that_is_the_whole_spectrum_bears_an_error_of_the_scale():
    whole = {**MEAN, "what": "median", "band": [400, 700]}
    straight = (GRID - 400.0) / 10
    assert standard(whole, SCALE, values=straight)[0] == pytest.approx(0.01, rel=1e-2)


@pytest.mark.parametrize("line", LINES)
def test_the_luminance_of_a_colour_agrees_with_the_law_of_propagation(line):
    """Y is a weighted sum of the values: its weights follow from spectra of a single one."""
    luminance = {**DRAWN["colour"], "number": "Y", "at_least": "0"}
    units = np.vstack((np.zeros(GRID.size), np.eye(GRID.size)))
    numbers = column_of(specification(luminance, NOISE, draws=100), set_of(units)).value
    weights, size = numbers[1:] - numbers[0], LINES[line]["u"]
    if line == "none":
        expected = size * np.sqrt((weights**2).sum())
    elif line == "full":
        expected = size * weights.sum()
    elif line == "wavelength":
        expected = size * np.abs(weights @ np.gradient(FILTER, GRID))
    else:
        parts = weights * FILTER * size / 100
        alike = np.exp(-np.abs(GRID[:, np.newaxis] - GRID) / LAMP["correlation_length_nm"])
        expected = np.sqrt(parts @ alike @ parts)
    draws = 5_000
    found = standard(luminance, LINES[line], draws=draws)
    assert found[0] == pytest.approx(expected, rel=5 / np.sqrt(2 * draws))


def test_a_bound_that_settles_it_settles_it_with_a_budget_too():
    dark = np.where(GRID > 510, 90.0, 0.001) * np.where((GRID > 440) & (GRID < 480), 0.0, 1.0)
    asked = {**DRAWN["optical density"], "band": [445, 475], "floor": 1e-5, "at_least": "4.0"}
    tiny = {**NOISE, "u": 1e-5}
    (verdict,) = judge(set_of(dark), specification(asked, tiny), [NARROW])
    assert verdict.bound == "at least"
    assert verdict.outcome is Outcome.PASS, explain(verdict)


def test_an_error_below_the_digits_of_the_axis_is_none():
    assert standard(EDGE, {**SCALE, "u": 1e-15})[0] == 0.0


def test_an_angle_that_goes_round_is_no_more_uncertain_for_it():
    hue = {**DRAWN["colour"], "number": "h ab", "unit": "°"}
    yellowish, pinkish = FILTER, np.where((GRID > 490) & (GRID < 600), 70.0, 90.0)
    values = np.stack([yellowish, pinkish])
    column = column_of(specification(hue, NOISE, draws=300), set_of(values))
    assert column.value[1] > 300
    assert (column.uncertainty.standard < 1.0).all()
    # turned so far that zero lies in the middle of the draws
    near = set_of(np.where((GRID > 480) & (GRID < 585), 70.0, 90.0) + np.linspace(0, 0, GRID.size))
    assert column_of(specification(hue, NOISE, draws=300), near).uncertainty.standard[0] < 1.0


def test_draws_that_give_no_number_leave_the_uncertainty_unknown():
    low = np.where(FILTER > 51, 50.05, FILTER)
    spec = specification(EDGE, NOISE)
    (verdict,) = judge(set_of(low), spec, [NARROW])
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "of the spectra drawn with errors of the budget give no such number" in verdict.reason


def test_a_missing_neighbour_leaves_the_slope_to_the_other_side():
    value = {"what": "value", "unit": "%T", "at": 550.0, "at_least": "0"}
    ramp = (GRID - 400.0) / 4
    for gap in ([149], [151]):
        holed = ramp.copy()
        holed[gap] = np.nan
        assert standard(value, SCALE, values=holed)[0] == pytest.approx(0.025)
    lonely = ramp.copy()
    lonely[[149, 151]] = np.nan
    (verdict,) = judge(set_of(lonely), specification(value, SCALE), [NARROW])
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "no neighbouring value that tells its slope" in verdict.reason


def by_class(*classes):
    statements = [
        {"instrument_class": label, "expanded": size, "k": 2, "source": "invented"}
        for label, size in classes
    ]
    return Specification.model_validate({
        "name": "s",
        "instrument_classes": {"double beam": ["bench 1", "bench 2"], "array": ["line 3"]},
        "requirement": [{"id": "r", **MEAN, "uncertainty": statements}],
    })  # fmt: skip


def test_each_class_of_instruments_has_its_own_uncertainty():
    spec = by_class(("double beam", 0.1), ("array", 0.4))
    conditions = [Conditions(instrument=each) for each in ("bench 2", "line 3", "BENCH 1 ")]
    column = judge_columns(set_of(np.stack([FILTER] * 3)), spec, conditions).columns[0]
    np.testing.assert_array_equal(column.uncertainty.expanded, [0.1, 0.4, 0.1])
    said = "uncertainty from invented for double beam or invented for array"
    assert said in spec.requirements[0].description


@pytest.mark.parametrize(
    ("instrument", "said"),
    [
        (None, "the instrument is unknown"),
        ("bench 9", "the instrument 'bench 9' is in no class"),
        ("line 3", "no uncertainty is stated for instruments of the class 'array'"),
    ],
)
def test_without_an_uncertainty_for_its_instrument_nothing_is_decided(instrument, said):
    (verdict,) = judge(
        set_of(), by_class(("double beam", 0.1)), [Conditions(instrument=instrument)]
    )
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert said in verdict.reason


def test_what_a_method_knows_of_itself_enters_its_budget():
    noisy = 50.0 + np.random.default_rng(1).normal(0, 0.3, GRID.size)
    rms = {"what": "noise", "unit": "%T", "degree": 1, "band": [450, 650], "at_most": "9"}
    found = standard(rms, {**SCALE, "u": 1e-6}, values=noisy)
    size = column_of(specification(rms, SCALE), set_of(noisy)).value
    assert found[0] == pytest.approx(size[0] / np.sqrt(2 * (201 - 2)), rel=1e-3)


@pytest.mark.parametrize("requirement", [MEAN, DRAWN["smoothed minimum"]])
def test_few_degrees_of_freedom_widen_the_interval(requirement):
    few = {**OFFSET, "degrees_of_freedom": 4}
    spec = partial(specification, requirement, coverage=0.95)
    for lines, factor in (
        # t for 4 degrees of freedom, and the normal distribution
        ((few,), 2.776),
        ((OFFSET,), 1.960),
        # equal parts, one of them with 4 degrees: 2^2 4 = 16 of both together, t 2.120
        ((few, {**OFFSET, "name": "another"}), 2.120),
    ):
        known = column_of(spec(*lines), set_of()).uncertainty
        tolerance = 0.06 if requirement is not MEAN and len(lines) == 2 else 5e-4
        assert known.coverage_factor[0] == pytest.approx(factor, abs=tolerance)


def test_a_value_within_its_own_uncertainty_is_undecided():
    mean = column_of(specification(MEAN, OFFSET), set_of()).value[0]
    for distance, outcome in ((0.3, Outcome.PASS), (0.15, Outcome.UNDECIDED)):
        requirement = {**MEAN, "at_least": f"{mean - distance:.4f}"}
        (verdict,) = judge(set_of(), specification(requirement, OFFSET), [NARROW])
        assert verdict.outcome is outcome
        assert verdict.uncertainty == pytest.approx(0.2)
        assert verdict.coverage_factor == 2
        assert "uncertainty from budget in place" in explain(verdict)
        assert "expanded uncertainty 0.2 %T (k = 2)" in explain(verdict)


def test_draws_stay_what_they_are():
    """Whatever the versions of the libraries: the errors hang on a text and a raw stream alone."""
    lines = [(0, BudgetLine.model_validate(NOISE)), (1, BudgetLine.model_validate(OFFSET))]
    added = errors_of(lines, np.array([400.0, 500.0]), "%T", 100, "a name").added
    expected = DRAWN_ONCE
    np.testing.assert_allclose(added[:2], expected, rtol=1e-12)


@pytest.mark.parametrize("unit", ["um", "cm-1", "eV"])
def test_a_mean_is_as_uncertain_whatever_the_axis_counts(unit):
    in_nm = standard(MEAN, LAMP, SCALE)
    positions = convert_positions(GRID, "nm", "vacuum", unit, "vacuum")
    order = np.argsort(positions)
    asked = {**MEAN, "medium": "vacuum"}
    found = standard(
        asked, LAMP, SCALE, values=FILTER[order], axis=Axis(positions[order], unit, "vacuum")
    )
    # means over the unit of the band differ only by how a line is drawn between two points
    assert found == pytest.approx(in_nm, rel=1e-3)


@pytest.mark.parametrize("requirement", [*SUMS.values(), DRAWN["median"]])
def test_twice_the_errors_are_twice_the_uncertainty(requirement):
    once = standard(requirement, NOISE, LAMP)
    twice = standard(requirement, *({**line, "u": 2 * line["u"]} for line in (NOISE, LAMP)))
    # a median bends a little within the errors
    assert twice == pytest.approx(2 * once, rel=0.02 if requirement["what"] == "median" else 1e-12)


def test_lines_of_one_size_are_not_one_error():
    twice = standard(DRAWN["median"], NOISE, {**NOISE, "name": "again"}, draws=5_000)
    once = standard(DRAWN["median"], NOISE, draws=5_000)
    assert twice[0] / once[0] == pytest.approx(np.sqrt(2), rel=0.1)


def test_a_line_knows_its_standard_uncertainty():
    expanded = {"u": None, "expanded": 0.3, "k": 3}
    assert BudgetLine.model_validate({**NOISE, **expanded}).standard == pytest.approx(0.1)


@pytest.mark.parametrize("asked", OF_ONE_SPECTRUM)
def test_every_kind_of_number_takes_a_budget(asked):
    """What a budget adds depends on the spectrum alone, whatever number is asked for."""
    unit, x = asked.spectral_unit, grid(asked)
    lines = [{**NOISE, "unit": unit, "u": 1e-4}, {**LAMP, "u": 0.02}, {**SCALE, "u": 0.02}]
    statement = StatedUncertainty(lines=lines, k=2, draws=100, unanswered_at_most=0.5)
    budgeted = asked.model_copy(update={"uncertainty": (statement,)})
    rows = curve(asked, x) * np.array([[1.0], [0.99], [0.98]])
    known = of_kind(budgeted, x, rows).uncertainty
    assert known.reasons == {}
    # of the share above a level far away nothing is uncertain
    assert (known.expanded >= 0 if asked.what == "share above level" else known.expanded > 0).all()
    alone = of_kind(budgeted, x, rows[1]).uncertainty
    np.testing.assert_array_equal(alone.expanded, known.expanded[1:2])
    np.testing.assert_array_equal(alone.noise_bias, known.noise_bias[1:2])
