"""Outcomes with an uncertainty, against worked cases; sources beside each check."""

import pytest

from speclake.judging import Conditions, explain, judge
from speclake.specs import BandRequirement, Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet


def judged(value, **keys):
    requirement = BandRequirement(id="r", what="mean", unit="%T", band=(400, 600), **keys)
    spec = Specification(name="s", requirement=(requirement,))
    spectra = SpectrumSet(Axis([400.0, 500.0, 600.0], "nm"), [[value] * 3], "%T", ("m",))
    (verdict,) = judge(spectra, spec, [Conditions()])
    return verdict


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
    assert "0.3 %T (k = 2)" in explain(verdict)


@pytest.mark.parametrize(("value", "outcome"), [(92.01, Outcome.PASS), (91.99, Outcome.FAIL)])
def test_simple_acceptance_lets_the_value_decide(value, outcome):
    # ILAC-G8:09/2019, 4.2.1: guard band zero, the risk is shared
    verdict = judged(value, at_least="92.00", uncertainty=0.30, rule="simple acceptance")
    assert verdict.outcome is outcome
    assert verdict.uncertainty == 0.30
