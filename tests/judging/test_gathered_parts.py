"""A part whose requirement draws on scans at several angles, or on four readings."""

import pytest

from speclake.judging.several import Drawn, judge_gathered, judge_lacking
from speclake.judging.taking.given import Partner
from speclake.specs import Outcome, Specification
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


def test_a_lead_without_company_is_not_measurable_for_the_reason_found():
    spec = specification()
    (asked,) = spec.requirements
    found = judge_lacking(spec, asked, {"m0": (how(0.0), "no scan at 20° yet")})
    (verdict,) = found.verdicts
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert verdict.reason == "no scan at 20° yet"
