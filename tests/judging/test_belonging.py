"""Which measurements belong together, decided from what is known of them alone."""

from datetime import timedelta

import pytest

from speclake.judging.belonging import Record, is_lead, may_fill, part_of, partner_of, spot_of
from speclake.judging.repeats import Choice
from speclake.measurement import Kind, Link, LinkKind, Range
from speclake.specs import Specification
from speclake.specs.requirements.several import Role
from tests import build

NOON = build.NOON
SPEC = """
name = "mirror"
[repeats]
count = "{count}"
[[requirement]]
id = "a"
what = "mean"
unit = "{unit}"
band = [500, 510]
at_most = "50"
angle_tolerance_deg = 1
[requirement.drawn_from]
{drawn}
"""


def spec_of(drawn='how = "mean of s and p"', unit="%T", count="every"):
    text = SPEC.format(drawn=drawn, unit=unit, count=count)
    found = Specification.from_toml_text(text, "mirror.toml")
    return found, found.requirements[0]


def scan(name, polarisation="s", **changes):
    facts = {
        "kind": Kind.PART, "sample": "A", "lot": "L1", "site": "3", "angle_deg": 45.0,
        "polarisation": polarisation,
    }  # fmt: skip
    return build.measurement(name, **(facts | changes))


def partner(lead, near, count="every", record=None, **of):
    specification, requirement = spec_of(count=count, **of)
    role = requirement.roles[1]
    return partner_of(lead, role, requirement, specification, near, record or Record())


def test_the_one_scan_that_fits_is_found():
    lead, p = scan("s"), scan("p", "p")
    assert partner(lead, [lead, p]).found is p
    assert partner(lead, [lead, scan("p", "p", angle_deg=45.9)]).found is not None
    assert partner(lead, [lead, scan("p", "P ")]).found is not None


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"angle_deg": 30.0}, "its angle of incidence is 30°, not 45°"),
        ({"angle_deg": None}, "its angle of incidence is unknown, not 45°"),
        ({"side": "back"}, "its side is back, and that of the lead unknown"),
        ({"segment": "UV"}, "its segment is uv, and that of the lead unknown"),
    ],
)
def test_a_scan_that_was_measured_otherwise_is_named_with_the_difference(changes, reason):
    found = partner(scan("s"), [scan("p", "p", **changes)])
    assert found.found is None
    assert reason in found.reason
    assert found.looked_at == (build.identifier("p"),)


@pytest.mark.parametrize("polarisation", [None, "s", "unpolarised"])
def test_a_scan_that_is_not_known_to_be_in_p_is_no_p_scan(polarisation):
    found = partner(scan("s"), [scan("x", polarisation)])
    assert (found.found, found.reason) == (None, "no p scan of site 3 yet")


def test_a_lead_of_an_unknown_part_or_angle_belongs_to_nothing():
    nameless = scan("s", sample=None)
    assert part_of(nameless) is None
    assert "nobody said which part" in partner(nameless, []).reason
    lead = scan("s", angle_deg=None)
    assert "angle of incidence of the s scan is unknown" in partner(lead, [scan("p", "p")]).reason


def test_parts_differ_by_kind_product_lot_and_name_and_spots_by_stage_and_site():
    base = scan("a")
    assert spot_of(base) == spot_of(scan("b", site=" 3 "))
    for changes in (
        {"kind": Kind.WITNESS}, {"product": "x"}, {"lot": "L2"}, {"sample": "B"}, {"serial": "7"},
        {"stage": "annealed"}, {"site": "4"}, {"site": None},
    ):  # fmt: skip
        assert spot_of(scan("b", **changes)) != spot_of(base)


def test_of_several_the_record_of_a_person_says_which_counts():
    lead, near = scan("s"), [scan("p1", "p"), scan("p2", "p")]
    assert partner(lead, near).reason == (
        'site 3 has 2 scans that may be its p scan; repeats.count = "every" picks none of them'
    )
    chosen = Record(choices={build.identifier("p2"): Choice("Ada", "centred", NOON)})
    assert partner(lead, near, "chosen", chosen).found is near[1]
    assert partner(lead, near, "every", chosen).found is None


def test_a_scan_in_conflict_does_not_count():
    lead, near = scan("s"), [scan("p1", "p"), scan("p2", "p")]
    disputed = Record(disputed={build.identifier("p1")})
    assert partner(lead, near, record=disputed).found is near[1]
    assert "in conflict" in partner(lead, near[:1], record=disputed).reason


def test_t_and_r_must_say_their_bandwidth_over_the_band():
    drawn = 'how = "100 - T - R"\nmay_be_unknown = ["side", "polarisation"]'
    of = {"drawn": drawn, "unit": "%A+S"}
    narrow = (Range(300, 450, 1.0), Range(450, 900, 2.0))
    t = scan("t", None, ranges=narrow)

    def r(*ranges):
        return scan("r", None, unit="%R", quantity="reflectance", ranges=ranges)

    assert partner(t, [r(Range(400, 900, 2.0))], **of).found is not None
    assert "its bandwidth is 5 nm, not 2 nm" in partner(t, [r(Range(400, 900, 5.0))], **of).reason
    assert "its bandwidth is unknown, not 2 nm" in partner(t, [r(Range(400, 900))], **of).reason
    unsaid = scan("t", None)
    assert "bandwidth of the transmittance scan is unknown" in partner(unsaid, [r()], **of).reason


BLANK = Role("reading T1", "%T", (("port", "white standard"),), blank_within_h=8.0)


def blank(name, hours=-1.0, **changes):
    facts = {
        "kind": Kind.BLANK, "instrument": "X", "accessory": "sphere", "port": "white standard",
        "trusted_at": NOON + timedelta(hours=hours), "sample": None,
    }  # fmt: skip
    return build.measurement(name, **(facts | changes))


def blank_of(lead, *near):
    specification, requirement = spec_of()
    return partner_of(lead, BLANK, requirement, specification, near, Record())


def test_the_latest_blank_before_the_scan_on_its_instrument_counts():
    lead = scan("s", instrument="X", accessory="sphere")
    late, early = blank("b2", -1), blank("b1", -7)
    assert blank_of(lead, early, late).found is late
    for other in (
        blank("old", -9), blank("after", 1), blank("other", instrument="Y"),
        blank("bare", accessory=None), blank("trap", port="light trap"),
    ):  # fmt: skip
        assert blank_of(lead, other, early).found is early
        assert blank_of(lead, other).reason == "no reading T1 on X in the 8 h before it yet"


@pytest.mark.parametrize(
    ("target", "by_name"), [(build.identifier("b1"), False), ("b1.csv", True), ("b1", True)]
)
def test_the_blank_that_a_scan_says_it_was_measured_against_goes_before_the_latest(target, by_name):
    link = Link(LinkKind.MEASURED_AGAINST, target, by_name, "header")
    lead = scan("s", instrument="X", accessory="sphere", links=(link,))
    first = blank("b1", -20)
    assert blank_of(lead, first, blank("b2", -1)).found is first


def test_a_blank_is_no_lead_and_a_part_no_blank():
    _, requirement = spec_of()
    assert is_lead(requirement, scan("s"))
    assert not is_lead(requirement, scan("p", "p"))
    assert not is_lead(requirement, blank("b", polarisation="s"))
    assert not may_fill(BLANK, scan("s", port="white standard"), 0.5)
