"""What a failed check puts in doubt, and by how much."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from speclake.errors import UnitError
from speclake.fitness.lookback import in_question, moves
from speclake.fitness.observing import ObservedError, altered, largest, observed
from speclake.fitness.qualifying.reading import Reading
from speclake.fitness.states import Result
from speclake.judging import judge
from speclake.specs import Specification
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, SpectrumSet
from speclake.standards.programmes import AnyCheck

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
PASS, FAIL, UNDECIDED = Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED
AT = np.arange(400.0, 701.0)


def check(**said) -> AnyCheck:
    return TypeAdapter(AnyCheck).validate_python({"id": "c", "every_days": 7, **said})


def reading(value, expected=None, unit="%T", at=None, outcome=FAIL) -> Reading:
    error = None if expected is None else value - expected
    return Reading(at=at, expected=expected, value=value, error=error, unit=unit, outcome=outcome)


def error(kind, size, unit="%T", start=0.0, stop=2000.0) -> ObservedError:
    sides = (-1,) if kind == "stray light" else (-1, 1)
    return ObservedError(kind, size, unit, "", start, stop, sides)


def spectra(values, unit="%T", at=AT, axis_unit="nm", medium=None) -> SpectrumSet:
    return SpectrumSet(Axis(at, axis_unit, medium), np.atleast_2d(values), unit, ("a",))


def ran(day: float, outcome: Outcome, name: str = "c") -> Result:
    return Result("p", name, START + timedelta(days=day), outcome)


def days(window) -> tuple:
    def day(at):
        return None if at is None else (at - START) / timedelta(days=1)

    return day(window.failed.taken_at), day(window.since), day(window.until)


def test_the_doubt_begins_with_the_last_pass_and_ends_with_the_next():
    results = [ran(0, PASS), ran(7, PASS), ran(10, UNDECIDED), ran(14, FAIL), ran(15, FAIL)]
    assert days(in_question(results, "p", "c")) == (15, 7, None)
    assert days(in_question([*results, ran(16, PASS)], "p", "c")) == (15, 7, 16)
    earlier = [ran(-7, FAIL), *results]
    assert days(in_question(earlier, "p", "c", START - timedelta(days=7))) == (-7, None, 0)


def test_only_a_failure_of_this_check_of_this_programme_counts():
    assert in_question([ran(0, PASS), ran(1, UNDECIDED)], "p", "c") is None
    assert in_question([ran(0, FAIL, "other")], "p", "c") is None
    assert in_question([ran(0, FAIL)], "another", "c") is None
    assert in_question([ran(0, FAIL)], "p", "c", START + timedelta(days=1)) is None


def test_the_largest_error_of_each_kind_is_taken_from_what_failed():
    bands = check(what="band positions", published="deuterium lines", largest_error_nm=0.3)
    numbers = [
        reading(486.4, 486.0, "nm", 486.0), reading(655.5, 656.1, "nm", 656.1),
        reading(700.0, 600.0, "nm", 600.0, PASS),
    ]  # fmt: skip
    (found,) = observed(bands, numbers, (400, 700))
    assert (found.kind, found.start_nm, found.stop_nm) == ("wavelength shift", 400, 700)
    assert found.size == pytest.approx(0.6)
    assert found.words == "c: wavelength shift of 0.6 nm at 656.1 nm, put on to either side"


@pytest.mark.parametrize(
    ("said", "number", "expected"),
    [
        ({"what": "values", "standard": "s", "largest_error": 0.5}, reading(31.0, 30.0),
         [("offset", 1.0), ("scale", 10 / 3)]),
        ({"what": "stray light", "band": (400, 410), "unit": "A", "limit": 4}, reading(3.0),
         [("stray light", 0.1)]),
        ({"what": "stray light", "band": (400, 410), "unit": "%T", "limit": 0.01}, reading(0.05),
         [("stray light", 0.05)]),
        ({"what": "flatness", "band": (400, 700), "largest_deviation_percent": 0.3},
         reading(99.5, 100.0), [("scale", 0.5)]),
        ({"what": "flatness", "band": (400, 700), "level_percent": 0,
          "largest_deviation_percent": 0.1}, reading(0.2, 0.0), [("offset", 0.2)]),
        ({"what": "noise", "band": (400, 700), "largest_rms": 0.05, "unit": "%T"}, reading(0.1),
         [("offset", 0.2)]),
        ({"what": "drift", "at_nm": 500, "within_h": 3, "largest_an_hour": 0.1, "unit": "%T"},
         reading(-0.2), [("offset", 0.6)]),
        ({"what": "repeatability", "at_nm": 500, "largest_sd": 0.1, "unit": "%T"}, reading(0.2),
         [("offset", 0.4)]),
        ({"what": "check sample", "at_nm": 500, "unit": "%T", "target": 50, "tolerance": 0.5},
         reading(49.0, 50.0), [("offset", 1.0), ("scale", 2.0)]),
        ({"what": "resolution", "line_nm": 656.1, "largest_width_nm": 2}, reading(3.0), []),
    ],
)  # fmt: skip
def test_what_a_failed_number_may_stand_for(said, number, expected):
    found = observed(check(**said), [number], (400, 700))
    assert [(each.kind, pytest.approx(each.size)) for each in found] == expected


def test_nothing_stands_for_what_did_not_fail_or_has_no_number():
    noise = check(what="noise", band=(400, 700), largest_rms=0.05, unit="%T")
    silent = Reading(unit="%T", outcome=FAIL)
    assert observed(noise, [reading(0.1, outcome=UNDECIDED), silent], (400, 700)) == ()


@pytest.mark.parametrize(
    ("errors", "sides"),
    [
        ([(0.8, FAIL), (0.79, FAIL), (0.02, PASS)], (-1,)),
        ([(-0.8, FAIL), (-0.2, PASS)], (1,)),
        ([(0.8, FAIL), (-0.2, PASS)], (-1, 1)),
        ([(0.8, FAIL), (0.03, FAIL)], (-1, 1)),
    ],
)
def test_an_error_of_known_sign_is_only_taken_off(errors, sides):
    """Every number beyond its uncertainty of 0.05 nm has one sign, and all that failed have."""
    bands = check(what="band positions", published="deuterium lines", largest_error_nm=0.01)
    numbers = [
        replace(reading(486.0 + by, 486.0, "nm", 486.0, outcome), uncertainty=0.05)
        for by, outcome in errors
    ]
    (found,) = observed(bands, numbers, (400, 700))
    assert found.sides == sides
    assert found.size == pytest.approx(0.85)
    assert "± 0.05 nm" in found.words


def test_the_largest_of_several_runs_keeps_every_side():
    runs = [replace(error("offset", size), sides=sides) for size, sides in
            ((1.0, (-1,)), (3.0, (1,)), (2.0, (-1,)))]  # fmt: skip
    (found,) = largest([*runs, error("offset", 0.1, "A")])[:1]
    assert (found.size, found.sides) == (3.0, (-1, 1))
    assert largest(runs[::2])[0].sides == (-1,)


def test_a_shift_is_put_on_in_steps():
    """A line 2 nm wide at 600 nm, read at 601.5 nm: a shift of 3 nm jumps over it."""
    line = spectra(90.0 - 80.0 * np.exp(-((AT - 600.0) ** 2)))
    ends = altered(line, error("wavelength shift", 3.0))
    fine = altered(line, replace(error("wavelength shift", 3.0), steps=12))
    at_place = [np.interp(601.5, made.axis.values, made.values[0]) for made in fine]
    assert len(fine) == 24
    assert min(at_place) == pytest.approx(10.0)
    assert min(np.interp(601.5, made.axis.values, made.values[0]) for made in ends) > 40


def test_a_spectrum_may_have_a_size_of_its_own():
    flat = SpectrumSet(Axis(AT, "nm"), np.full((2, AT.size), 50.0), "%T", ("a", "b"))
    lower, higher = altered(flat, replace(error("offset", 1.0), sizes={"b": 3.0}))
    assert (lower.values[:, 0].tolist(), higher.values[:, 0].tolist()) == ([49, 47], [51, 53])


def test_a_shift_moves_the_axis_and_leaves_every_value():
    slope = spectra(AT / 10)
    lower, higher = altered(slope, error("wavelength shift", 0.4))
    for made, by in ((lower, -0.4), (higher, 0.4)):
        np.testing.assert_allclose(np.interp(550.0, made.axis.values, made.values[0]),
                                   (550.0 - by) / 10)  # fmt: skip
        assert made.axis.values[0] <= 400.0
        assert made.axis.values[-1] >= 700.0
        assert set(made.values[0]) == set(slope.values[0])


@given(st.floats(0.01, 5.0))
def test_a_shift_in_nm_is_one_in_nm_on_every_axis(size):
    """E = hc/λ: a line at 500 nm in vacuum lies at 500 + shift nm, whatever the axis counts."""
    at = 1e7 / np.linspace(700.0, 400.0, 601)
    line = spectra(np.exp(-(((1e7 / at - 500.0) / 5.0) ** 2)), at=at, axis_unit="cm-1")
    _, higher = altered(line, error("wavelength shift", size))
    assert higher.axis.unit == "cm-1"
    place = 1e7 / higher.axis.values[higher.values[0].argmax()]
    assert place == pytest.approx(500.0 + size, abs=1e-6)


def test_offset_and_scale_change_what_lies_in_their_range():
    flat = spectra(np.full(AT.size, 50.0))
    for kind, size in (("offset", 1.0), ("scale", 2.0)):
        made = altered(flat, error(kind, size, start=500.0, stop=600.0))
        inside = (AT >= 500) & (AT <= 600)
        assert [set(each.values[0, inside]) for each in made] == [{49.0}, {51.0}]
        assert all(set(each.values[0, ~inside]) == {50.0} for each in made)


def test_an_offset_of_absorbance_is_a_factor_of_transmittance():
    """A = -lg T (definition): 0.01 in A are 2.3 % of T."""
    made = altered(spectra(np.full(AT.size, 50.0)), error("offset", 0.01, "A"))
    assert [each.values[0, 0] for each in made] == pytest.approx([51.1646, 48.8619], abs=1e-4)
    with pytest.raises(UnitError):
        altered(spectra(np.full(AT.size, 50.0), "%R"), error("offset", 0.01, "A"))


@given(st.floats(0.0, 6.0), st.sampled_from([1e-4, 1e-3, 1e-2]))
def test_stray_light_taken_off_gives_back_the_true_absorbance(true, share):
    """A' = -lg((T + s)/(1 + s)) (closed form; at A = 4 and s = 1e-3 it reads 2.9590)."""
    seen = -np.log10((10**-true + share) / (1 + share))
    (made,) = altered(spectra(np.full(AT.size, seen), "A"), error("stray light", 100 * share))
    assert made.values[0, 0] == pytest.approx(true, abs=1e-6)


def test_stray_light_that_is_all_that_was_seen_leaves_no_absorbance():
    (made,) = altered(spectra(np.full(AT.size, 5.0), "A"), error("stray light", 0.01))
    assert np.isnan(made.values).all()
    (linear,) = altered(spectra(np.full(AT.size, 0.001)), error("stray light", 0.01))
    assert linear.values[0, 0] == pytest.approx(-0.009, abs=1e-5)


def test_missing_values_stay_missing():
    values = np.full(AT.size, 50.0)
    values[10] = np.nan
    for kind in ("wavelength shift", "offset", "scale", "stray light"):
        for made in altered(spectra(values), error(kind, 0.5)):
            assert np.isnan(made.values).sum() == 1


SPEC = Specification.from_toml_text(
    'name = "window"\n[[requirement]]\nid = "mean"\nwhat = "mean"\nunit = "%T"\n'
    "band = [450, 650]\nat_least = 92.00\n",
    "window",
)


@pytest.mark.parametrize(
    ("level", "size", "becomes", "said"),
    [
        (92.35, 0.2, (), "stays pass"),
        (92.35, 0.4, (FAIL,), "could become fail"),
        (91.9, 0.4, (PASS,), "could become pass"),
    ],
)
def test_a_verdict_moves_by_the_error_and_may_change(level, size, becomes, said):
    """JCGM 106-like case of the reference values: T_avg at least 92.00, found 92.35."""
    flat = spectra(np.full(AT.size, level))
    before = judge(flat, SPEC, [{"kind": "part"}])
    after = [judge(each, SPEC, [{"kind": "part"}]) for each in altered(flat, error("offset", size))]
    (move,) = moves(before, after)
    assert move.by == pytest.approx(size)
    assert move.could_become == becomes
    assert said in move.sentence
    assert f"moves by up to {size:g} %T" in move.sentence


def test_a_verdict_that_loses_its_value_says_so():
    nothing = np.full(AT.size, np.nan)
    before = judge(spectra(np.full(AT.size, 93.0)), SPEC, [{"kind": "part"}])
    after = [judge(spectra(nothing), SPEC, [{"kind": "part"}])]
    (move,) = moves(before, after)
    assert move.by is None
    assert move.could_become == (Outcome.NOT_MEASURABLE,)
    (alone,) = moves(before, [])
    assert (alone.by, alone.could_become) == (None, ())
