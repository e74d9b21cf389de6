"""A series over the angle for its requirements: one number of each scan, then what they say."""

import numpy as np
import pytest

from speclake.judging import Conditions
from speclake.judging.conditions import Bandwidth
from speclake.judging.taking.angles import TAKERS_OF_ANGLES
from speclake.judging.taking.given import Given, Partner
from speclake.specs.requirements.angles import (
    AngleShiftRequirement,
    AngleSpreadRequirement,
    EffectiveIndexRequirement,
)
from speclake.spectrum import Axis, SpectrumSet

CUT_OFF = {
    "id": "edge", "of": "%T", "unit": "nm", "band": [480, 620], "angles_deg": [0, 20, 40],
    "number": "cut-off", "level": 45, "relative_to": "nothing", "largest_interval": 1,
    "largest_bandwidth_nm": 2, "polarisation": "s", "at_least": "-99",
}  # fmt: skip
SHIFT = AngleShiftRequirement.model_validate(
    CUT_OFF | {"what": "shift over angles", "shift": "at the largest angle"}
)
INDEX = EffectiveIndexRequirement.model_validate(
    CUT_OFF | {"what": "effective index", "unit": "units", "largest_misfit": 0.01}
)
RANGE = AngleSpreadRequirement.model_validate(
    {
        "id": "mean", "what": "range over angles", "unit": "%T", "band": [480, 540],
        "angles_deg": [0, 20], "number": "mean", "polarisation": "s", "at_most": "0.5",
    }
)  # fmt: skip


def edge_at(angle_deg, index, at_normal=600.0):
    return at_normal * np.sqrt(1 - (np.sin(np.deg2rad(angle_deg)) / index) ** 2)


def scan(edge, unit="%T", step=1.0, top=90.0):
    """A straight flank 10 nm wide whose middle, at half of the top, is the edge."""
    grid = np.arange(470.0, 640.0, step)
    values = np.interp(grid, [edge - 5, edge + 5], [top, 0.0])
    values = values / 100 if unit == "T" else values
    return SpectrumSet(Axis(grid, "nm", "air"), [values], unit, ("m",))


def how(angle_deg, **more):
    known = {"angle_deg": angle_deg, "polarisation": "s"} | more
    return Conditions(**known, bandwidths=(Bandwidth(470, 640, 1.0),))


def series(asked, index=1.8, at_deg=None, **more):
    """Lead and partners of a part, at the angles asked for or near them."""
    angles = at_deg or asked.angles_deg
    members = [
        Partner(scan(edge_at(angle, index), **more), how(angle)) for angle in angles
    ]  # fmt: skip
    names = [role.name for role in asked.roles]
    return members[0], dict(zip(names[1:], members[1:], strict=True))


def taken(asked, *found):
    spectra = SpectrumSet(
        found[0][0].spectrum.axis,
        np.concatenate([lead.spectrum.values for lead, _ in found]),
        "%T",
        tuple(f"m{row}" for row in range(len(found))),
    )
    given = Given([lead.conditions for lead, _ in found], [partners for _, partners in found])
    return TAKERS_OF_ANGLES[type(asked)](spectra, asked, given)


def test_the_shift_goes_from_the_lead_to_the_scan_at_the_largest_angle():
    found = taken(SHIFT, series(SHIFT, 1.8), series(SHIFT, 2.2))
    expected = [edge_at(40, index) - 600.0 for index in (1.8, 2.2)]
    assert found.value == pytest.approx(expected, abs=1e-9)
    assert found.reasons == {}


def test_the_index_of_each_series_is_its_own():
    found = taken(INDEX, series(INDEX, 1.8), series(INDEX, 2.2))
    assert found.value == pytest.approx([1.8, 2.2], rel=1e-6)


def test_the_angles_of_the_scans_count_and_not_those_asked_for():
    """Measured at 39.6 degrees where 40 was asked for: the index is still that of the part."""
    found = taken(INDEX, series(INDEX, 1.8, at_deg=[0.3, 20.0, 39.6]))
    assert found.value == pytest.approx([1.8], rel=1e-6)


def test_scans_may_have_axes_and_units_of_their_own():
    lead, partners = series(SHIFT)
    other = Partner(scan(edge_at(40, 1.8), "T", step=0.5), how(40.0))
    partners["scan at 40°"] = other
    found = taken(SHIFT, (lead, partners))
    assert found.value == pytest.approx([edge_at(40, 1.8) - 600.0], abs=1e-9)


def test_a_range_of_means():
    lead, partners = series(RANGE)
    partners["scan at 20°"] = Partner(scan(600.0, top=88.5), how(20.0))
    found = taken(RANGE, (lead, partners))
    assert found.value == pytest.approx([1.5])


def test_means_are_integrated_over_what_the_requirement_says():
    more = {"axis_unit": "cm-1", "band": [17_000, 20_800], "at_most": "9"}
    found = []
    for over in ("wavelength", "wavenumber"):
        asked = AngleSpreadRequirement.model_validate(
            RANGE.model_dump(exclude_defaults=True) | more | {"integrated_over": over}
        )
        lead, partners = series(asked, index=1.2)
        found.append(taken(asked, (lead, partners)).value[0])
    assert found[0] > 1
    assert found[1] > 1
    assert abs(found[0] - found[1]) > 0.01


def test_away_from_the_normal_light_that_nobody_polarised_has_no_number():
    asked = AngleSpreadRequirement.model_validate(
        RANGE.model_dump(exclude_defaults=True, exclude={"polarisation"})
    )
    lead, partners = series(asked)
    lead = Partner(lead.spectrum, how(0.0, polarisation="unpolarised"))
    partners["scan at 20°"] = Partner(scan(600.0), how(20.0, polarisation="unpolarised"))
    found = taken(asked, (lead, partners))
    assert np.isnan(found.value[0])
    assert found.reasons[0].startswith("at 20°: ")
    partners["scan at 20°"] = Partner(scan(600.0), how(20.0, polarisation="depolarised"))
    assert taken(asked, (lead, partners)).reasons == {}


def test_a_missing_angle_is_named():
    lead, partners = series(SHIFT)
    found = taken(SHIFT, (lead, partners | {"scan at 20°": "no scan at 20° yet"}), series(SHIFT))
    assert np.isnan(found.value).tolist() == [True, False]
    assert found.reasons == {0: "no scan at 20° yet"}


@pytest.mark.parametrize(
    ("member", "said"),
    [
        (Partner(scan(700.0), how(20.0)), "at 20°: the spectrum does not fall through 45 %T"),
        (Partner(scan(590.0, "%T", step=5.0), how(20.0)), "at 20°: "),
        (Partner(scan(590.0), how(20.0, smoothed=True)), "at 20°: the spectrum was smoothed"),
        (Partner(scan(590.0), how(20.0, polarisation="p")), "at 20°: it was measured in another"),
        (
            Partner(SpectrumSet(scan(590.0).axis, scan(590.0).values, "%R", ("m",)), how(20.0)),
            "at 20°: its values are in %R",
        ),
        (
            Partner(scan(590.0), Conditions(angle_deg=20.0, polarisation="s")),
            "at 20°: the bandwidth of the scan is unknown",
        ),
    ],
)
def test_a_scan_that_cannot_answer_is_named_by_its_angle(member, said):
    lead, partners = series(SHIFT)
    found = taken(SHIFT, (lead, partners | {"scan at 20°": member}))
    assert np.isnan(found.value[0])
    assert found.reasons[0].startswith(said)


def test_a_scan_alone_is_no_series():
    lead, _ = series(SHIFT)
    found = TAKERS_OF_ANGLES[AngleShiftRequirement](lead.spectrum, SHIFT, Given([lead.conditions]))
    assert np.isnan(found.value[0])
    assert "only one was given" in found.reasons[0]
