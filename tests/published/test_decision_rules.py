"""Outcomes with an uncertainty, against worked cases; sources beside each check."""

import numpy as np
import pytest

from speclake.judging import Conditions, explain, judge
from speclake.judging.conforming import conformity_of
from speclake.judging.uncertainty import Uncertainty
from speclake.specs import BandRequirement, Outcome, Specification, ValueRequirement
from speclake.spectrum import Axis, SpectrumSet

GUARDED = {"guard_times": 1.65, "guard_of": "u"}


def judged(value, **keys):
    requirement = BandRequirement(id="r", what="mean", unit="%T", band=(400, 600), **keys)
    spec = Specification(name="s", requirement=(requirement,))
    spectra = SpectrumSet(Axis([400.0, 500.0, 600.0], "nm"), [[value] * 3], "%T", ("m",))
    (verdict,) = judge(spectra, spec, [Conditions()])
    return verdict


def probability(value, standard_uncertainty, low=None, high=None):
    known = Uncertainty(np.array([2 * standard_uncertainty]), np.array([2.0]), np.array([np.nan]))
    return float(conformity_of(np.array([value]), (low, high), known)[0])


@pytest.mark.parametrize(
    ("value", "outcome", "side"),
    [
        # ILAC-G8:09/2019, 4.2.3, non-binary statement with guard band w = U: pass beyond the limit
        # by more than w, undecided within [TL - w, TL + w] with the side told, else fail. The case:
        # mean T at least 92.00 %T, U = 0.30 (k = 2)
        (92.35, Outcome.PASS, None),
        (92.30, Outcome.UNDECIDED, "inside"),
        (92.20, Outcome.UNDECIDED, "inside"),
        (92.10, Outcome.UNDECIDED, "inside"),
        (91.90, Outcome.UNDECIDED, "outside"),
        (91.70, Outcome.UNDECIDED, "outside"),
        (91.69, Outcome.FAIL, None),
    ],
)
def test_a_guard_band_of_the_expanded_uncertainty(value, outcome, side):
    verdict = judged(value, at_least="92.00", uncertainty=0.30)
    assert (verdict.outcome, verdict.side) == (outcome, side)
    assert (verdict.rule, verdict.guard, verdict.coverage_factor) == ("non-binary", 0.30, 2.0)
    assert "0.3 %T (k = 2)" in explain(verdict)


@pytest.mark.parametrize(("value", "outcome"), [(92.01, Outcome.PASS), (91.99, Outcome.FAIL)])
def test_simple_acceptance_lets_the_value_decide(value, outcome):
    # ILAC-G8:09/2019, 4.2.1: guard band zero, the risk is shared
    verdict = judged(value, at_least="92.00", uncertainty=0.30, rule="simple acceptance")
    assert verdict.outcome is outcome
    assert verdict.uncertainty == 0.30
    assert verdict.guard is None


@pytest.mark.parametrize(
    ("value", "simple", "guarded", "conformity"),
    [
        # the same case; probabilities Phi((y - 92.00)/0.15), from a table of normal probabilities.
        # The acceptance limit is 92.2475 %T at 1.65 u (ISO 14253-1:2017, default 95 %; from memory)
        (92.35, Outcome.PASS, Outcome.PASS, 0.9902),
        (92.20, Outcome.PASS, Outcome.FAIL, 0.9088),
        (92.10, Outcome.PASS, Outcome.FAIL, 0.7475),
        (91.90, Outcome.FAIL, Outcome.FAIL, 0.2525),
    ],
)
def test_the_same_value_under_each_rule(value, simple, guarded, conformity):
    keys = {"at_least": "92.00", "uncertainty": 0.30}
    plain = judged(value, rule="simple acceptance", **keys)
    strict = judged(value, rule="guarded acceptance", **GUARDED, **keys)
    lenient = judged(value, rule="guarded rejection", **GUARDED, **keys)
    assert (plain.outcome, strict.outcome) == (simple, guarded)
    assert lenient.outcome is Outcome.PASS  # rejected only below 92 - 0.2475
    assert {round(v.conformity, 4) for v in (plain, strict, lenient)} == {conformity}


@pytest.mark.parametrize(("value", "outcome"), [(92.2475, Outcome.PASS), (92.2474, Outcome.FAIL)])
def test_an_acceptance_limit_is_itself_accepted(value, outcome):
    # JCGM 106:2012, 3.3.9: an acceptance limit bounds the permissible measured values
    keys = {"at_least": "92.00", "uncertainty": 0.30, **GUARDED}
    assert judged(value, rule="guarded acceptance", **keys).outcome is outcome
    below = round(value - 0.4950, 4)  # as far from the acceptance limit 91.7525
    assert judged(below, rule="guarded rejection", **keys).outcome is outcome


@pytest.mark.parametrize(
    ("times", "of", "risk"),
    [
        # largest risk of a false acceptance, at the acceptance limit. ILAC-G8:09/2019, table 1:
        # w = 0: 50 %; 0.83 U: < 5 % (ISO 14253-1); U: < 2.5 %; 1.5 U: < 0.16 %; 3 U: < 1 ppm
        (0, "U", 0.50),
        (0.83, "U", 0.05),
        (1.65, "u", 0.05),
        (1, "U", 0.025),
        (1.5, "U", 0.0016),
        (3, "U", 1e-6),
    ],
)
def test_the_largest_risk_of_a_false_acceptance(times, of, risk):
    expanded = 0.30
    width = times * (expanded if of == "U" else expanded / 2)
    at_the_limit = probability(92.0 + width, expanded / 2, low=92.0)
    assert 1 - at_the_limit <= risk
    assert 1 - at_the_limit >= 0.5 * risk or risk < 0.01
    if times:
        keys = {"at_least": "92", "uncertainty": expanded, "guard_times": times, "guard_of": of}
        verdict = judged(92.0 + width + 1e-9, rule="guarded acceptance", **keys)
        assert verdict.outcome is Outcome.PASS
        assert verdict.conformity == pytest.approx(at_the_limit, abs=1e-7)


@pytest.mark.parametrize(
    ("wanted", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_quantiles_of_the_normal_distribution(wanted, z):
    # JCGM 106:2012, tables 1 and 2: z rounded to two decimals; table numbers from memory
    below, above = (probability(shifted, 1.0, low=0.0) for shifted in (z - 0.005001, z + 0.005001))
    assert below <= wanted <= above


def test_the_breakdown_voltage_of_a_diode():
    # JCGM 106:2012, clause 7, example: at most -5.40 V, measured -5.47 V, u = 0.05 V: 92 %;
    # example number from memory
    assert probability(-5.47, 0.05, high=-5.40) == pytest.approx(0.92, abs=0.005)


def test_the_speed_limit():
    # JCGM 106:2012, clause 8, example of guarded rejection: limit 100 km/h, u/v = 2 %, 99.9 %:
    # the rejection limit is 106.59 km/h, acted on at 107; example number from memory
    assert 1 - probability(106.59, 0.02 * 106.59, high=100.0) == pytest.approx(0.999, abs=1e-5)
    assert 1 - probability(106.0, 0.02 * 106.0, high=100.0) < 0.999


def test_both_limits_of_a_centre_wavelength():
    # 550 +- 2, measured 551.2, u = 0.5: Phi(1.6) - Phi(-6.4) = 0.94520 from a table of the normal
    # distribution
    spec = Specification(
        name="s",
        requirement=(
            ValueRequirement(id="r", what="value", unit="%T", at=500, target="550", tolerance="2",
                             uncertainty=1.0, rule="simple acceptance"),
        ),
    )  # fmt: skip
    spectra = SpectrumSet(Axis([400.0, 500.0, 600.0], "nm"), [[0.0, 551.2, 0.0]], "%T", ("m",))
    (verdict,) = judge(spectra, spec, [Conditions()])
    assert verdict.conformity == pytest.approx(0.94520, abs=5e-6)
    assert (verdict.low, verdict.high, verdict.outcome) == (548.0, 552.0, Outcome.PASS)


def test_small_tails_keep_their_digits():
    # Phi(-6) = 9.8659e-10, from a table of the normal distribution
    assert 1 - probability(6.0, 1.0, low=0.0) == pytest.approx(9.8659e-10, rel=1e-4)
    assert probability(-6.0, 1.0, low=0.0) == pytest.approx(9.8659e-10, rel=1e-4)


@pytest.mark.parametrize(
    ("proof", "outcome"),
    [
        # ISO 14253-1:2017: the uncertainty always counts against the party that has to prove:
        # a supplier shows conformity inside the reduced zone, a customer shows non-conformity
        # outside the enlarged one; clause numbers from memory
        ("supplier proves conformity", Outcome.FAIL),
        ("customer proves non-conformity", Outcome.PASS),
    ],
)
@pytest.mark.parametrize("value", [92.2, 91.8])
def test_who_must_prove_what(proof, outcome, value):
    verdict = judged(value, at_least="92.00", uncertainty=0.30, proof=proof, **GUARDED)
    assert verdict.outcome is outcome
    assert proof in verdict.description
