"""A part whose requirement draws on scans at several angles, or on four readings."""

import numpy as np
import pytest

from speclake.judging import Conditions
from speclake.judging.several import Drawn, judge_gathered, judge_lacking
from speclake.judging.taking.given import Partner
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet
from tests.judging.pieces import part_outcome
from tests.judging.test_taking_angles import edge_at, how, scan

SERIES = """
name = "filter"
{more}
[[requirement]]
id = "shift"
what = "shift over angles"
shift = "lowest"
number = "cut-off"
angles_deg = [0, 20, 40]
polarisation = "s"
{asked}
of = "%T"
unit = "nm"
band = [480, 620]
level = 45
relative_to = "nothing"
largest_interval = 1
largest_bandwidth_nm = 2
at_least = {limit}
"""

HAZE = """
name = "visor"
[[requirement]]
id = "haze"
what = "haze"
of = "%T"
unit = "%"
edition = "2021"
illuminant = "A"
largest_interval = 10
largest_age_h = 8
{limit}
"""


def level(value):
    """A grey reading."""
    grid = np.arange(380.0, 781.0, 5.0)
    return SpectrumSet(Axis(grid, "nm"), np.full((1, grid.size), value), "%T", ("m",))


def specification(more="", asked="", limit="-45.0"):
    return Specification.from_toml_text(SERIES.format(more=more, asked=asked, limit=limit), "s")


def judged(spec, conditions=how):
    """Verdict on the scan at 0 degrees with those at 20 and 40 beside it."""
    (asked,) = spec.requirements
    members = {
        role.name: Partner(scan(edge_at(angle, 1.8)), conditions(angle))
        for role, angle in zip(asked.roles, asked.angles_deg, strict=True)
    }
    lead = members.pop("scan at 0°")
    found = judge_gathered(spec, asked, Drawn(lead.spectrum, [lead.conditions]), [members])
    (verdict,) = found.verdicts
    return verdict


@pytest.mark.parametrize(("limit", "outcome"), [("-45.0", Outcome.PASS), ("-30.0", Outcome.FAIL)])
def test_the_shift_decides(limit, outcome):
    verdict = judged(specification(limit=limit))
    assert verdict.outcome is outcome
    assert verdict.value == pytest.approx(edge_at(40, 1.8) - 600.0)
    assert verdict.unit == "nm"


def test_an_uncertainty_of_a_series_is_the_one_stated():
    verdict = judged(specification(asked="uncertainty = 10.0"))
    assert (verdict.outcome, verdict.uncertainty) == (Outcome.UNDECIDED, 10.0)


def test_a_part_needs_no_verdict_at_each_angle_of_the_series_and_of_others():
    spec = specification("[needs]\nangles_deg = [0, 20, 40, 60]")
    conditions = {f"m{angle}": how(float(angle)) for angle in (0, 20, 40, 60)}
    (asked,) = spec.requirements
    members = {
        f"scan at {angle}°": Partner(scan(edge_at(angle, 1.8)), how(angle)) for angle in (20, 40)
    }
    lead = scan(600.0)
    lead = type(lead)(lead.axis, lead.values, lead.unit, ("m0",))
    found = judge_gathered(spec, asked, Drawn(lead, [how(0.0)]), [members])
    part = part_outcome(found.verdicts, conditions, spec)
    assert (part.outcome, part.missing) == (Outcome.PASS, ())
    assert part_outcome((), conditions, spec).missing == ("a verdict on shift",)


def test_a_series_over_angles_that_a_complete_part_need_not_have_is_refused():
    with pytest.raises(ValueError, match=r"needs\.angles_deg with 40"):
        specification("[needs]\nangles_deg = [0, 20]")


def test_every_scan_must_be_of_the_class_of_instruments_asked_for():
    more = '[instrument_classes]\nresearch = ["one"]\nroutine = ["two"]'
    spec = specification(more, 'instrument_class = "research"')
    assert judged(spec, lambda angle: how(angle, instrument="one")).outcome is Outcome.PASS
    mixed = judged(spec, lambda angle: how(angle, instrument="two" if angle == 20 else "one"))
    assert mixed.outcome is Outcome.NOT_MEASURABLE
    assert mixed.reason.startswith("at 20°: ")


def test_many_series_have_the_numbers_that_each_has_alone():
    spec = specification()
    (asked,) = spec.requirements
    indices = np.linspace(1.5, 2.3, 700)
    leads = [scan(600.0 - number / 100) for number in range(indices.size)]
    partners = [
        {
            f"scan at {angle}°": Partner(scan(edge_at(angle, index)), how(angle))
            for angle in (20, 40)
        }
        for index in indices
    ]
    together = SpectrumSet(
        leads[0].axis,
        np.concatenate([each.values for each in leads]),
        "%T",
        tuple(f"m{number}" for number in range(indices.size)),
    )
    found = judge_gathered(spec, asked, Drawn(together, [how(0.0)] * indices.size), partners)
    assert len({each.value for each in found.verdicts}) == indices.size
    for number in (0, 511, 512, 699):
        alone = judge_gathered(spec, asked, Drawn(leads[number], [how(0.0)]), [partners[number]])
        assert alone.verdicts[0].value == found.verdicts[number].value


@pytest.mark.parametrize(
    ("limit", "outcome"),
    [("at_most = 2.0", Outcome.FAIL), ("at_least = 20.0", Outcome.PASS),
     ("at_least = 40.0", Outcome.NOT_MEASURABLE)],
)  # fmt: skip
def test_a_diffusing_specimen_is_decided_as_far_as_the_standard_goes(limit, outcome):
    spec = Specification.from_toml_text(HAZE.format(limit=limit), "s")
    (asked,) = spec.requirements
    others = {
        role.name: Partner(level(value), Conditions())
        for role, value in zip(asked.roles[1:], (90.0, 1.0, 100.0), strict=True)
    }
    found = judge_gathered(spec, asked, Drawn(level(50.0), [Conditions()]), [others])
    (verdict,) = found.verdicts
    assert verdict.outcome is outcome
    assert (verdict.bound, float(verdict.shown)) == ("at least", 30.0)
    assert "such a specimen is diffusing" in verdict.reason


def test_a_lead_without_company_is_not_measurable_for_the_reason_found():
    spec = specification()
    (asked,) = spec.requirements
    found = judge_lacking(spec, asked, {"m0": (how(0.0), "no scan at 20° yet")})
    (verdict,) = found.verdicts
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert verdict.reason == "no scan at 20° yet"
