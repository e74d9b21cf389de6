"""Requirements on numbers of several measurements: haze, and series over the angle."""

import re

import pytest
from pydantic import ValidationError

from speclake.specs.requirements.angles import (
    AngleShiftRequirement,
    AngleSpreadRequirement,
    EffectiveIndexRequirement,
)
from speclake.specs.requirements.edges import EdgeRequirement
from speclake.specs.requirements.haze import HazeRequirement

HAZE = {
    "id": "haze", "what": "haze", "of": "%T", "unit": "%", "edition": "2021", "illuminant": "C",
    "largest_interval": 10, "largest_age_h": 8, "at_most": "1.0",
}  # fmt: skip
CUT_OFF = {
    "id": "edge", "of": "%T", "unit": "nm", "band": [500, 600], "angles_deg": [0, 15, 30],
    "number": "cut-off", "level": 50, "relative_to": "peak", "peak": "sampled",
    "largest_interval": 1, "largest_bandwidth_nm": 2, "polarisation": "s", "at_least": "-12",
}  # fmt: skip
SHIFT = CUT_OFF | {"what": "shift over angles", "shift": "lowest"}
INDEX = CUT_OFF | {
    "what": "effective index", "unit": "units", "largest_misfit": 0.5, "at_least": "1.7",
}  # fmt: skip
MEAN = {
    "id": "mean", "what": "range over angles", "unit": "%R", "band": [500, 600],
    "angles_deg": [0, 15], "number": "mean", "at_most": "0.5",
}  # fmt: skip


def refused(kind, written) -> str:
    with pytest.raises(ValidationError) as caught:
        kind.model_validate(written)
    return str(caught.value)


def test_haze_says_its_standard_its_weights_and_its_four_readings():
    asked = HazeRequirement.model_validate(HAZE)
    assert asked.description == (
        "haze by ASTM D1003 (2021), weights CIE illuminant C times V(lambda), readings without "
        "specimen at most 8 h older, at most 1.0 %"
    )
    assert [(role.name, role.told_by, role.blank_within_h) for role in asked.roles] == [
        ("T4 scan (specimen, light trap)", (("port", "light trap"),), None),
        ("T2 scan (specimen, white standard)", (("port", "white standard"),), None),
        ("T3 scan (no specimen, light trap)", (("port", "light trap"),), 8.0),
        ("T1 scan (no specimen, white standard)", (("port", "white standard"),), 8.0),
    ]


@pytest.mark.parametrize("key", ["edition", "illuminant", "largest_interval", "largest_age_h"])
def test_haze_leaves_nothing_open(key):
    said = refused(HazeRequirement, {name: each for name, each in HAZE.items() if name != key})
    assert f"{key}\n  Field required" in said


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"illuminant": "D65"}, "'A' or 'C'"),
        ({"of": "%R"}, "'%T' or 'T'"),
        ({"band": [400, 700]}, "neither band nor at"),
        ({"axis_unit": "um"}, 'axis_unit = "nm"'),
        ({"after_smoothing": {"window": 5, "degree": 2}}, "no after_smoothing"),
        ({"drawn_from": {"how": "mean of s and p"}}, "says itself what it draws on"),
        (
            {"uncertainty": [{"budget": "bench", "k": 2}]},
            "uncertainty as expanded with k and source",
        ),
    ],
)
def test_haze_that_contradicts_itself_is_refused(more, said):
    assert said in refused(HazeRequirement, HAZE | more)


def test_a_series_says_its_angles_and_its_number():
    asked = AngleShiftRequirement.model_validate(SHIFT)
    assert asked.description == (
        "lowest shift from the smallest angle over the angles of incidence 0°, 15°, 30° of: "
        "cut-off of transmittance (where it falls through 50 % of the sampled peak) from 500 nm "
        "to 600 nm, at least -12 nm, polarisation s"
    )
    assert [role.name for role in asked.roles] == ["scan at 0°", "scan at 15°", "scan at 30°"]
    asked = EffectiveIndexRequirement.model_validate(INDEX)
    assert asked.description.startswith("effective index (within 0.5 nm of the curve) over ")
    asked = AngleSpreadRequirement.model_validate(MEAN)
    assert asked.description.startswith("range over the angles of incidence 0°, 15° of: mean refl")


def test_the_number_at_an_angle_keeps_its_keys_and_conditions():
    asked = AngleShiftRequirement.model_validate(SHIFT | {"sites": ["1"], "smoothing": "allowed"})
    found = asked.at_angle(15.0)
    assert isinstance(found, EdgeRequirement)
    assert (found.angle_deg, found.polarisation, found.sites) == (15.0, "s", ("1",))
    assert (found.level, found.peak, found.which) == (50.0, "sampled", "only")
    assert (found.smoothing, found.largest_bandwidth_nm, found.unit) == ("allowed", 2.0, "nm")


@pytest.mark.parametrize(
    ("kind", "written"),
    [
        (HazeRequirement, HAZE),
        (AngleShiftRequirement, SHIFT),
        (EffectiveIndexRequirement, INDEX),
        (AngleSpreadRequirement, MEAN),
    ],
)
def test_what_an_archive_keeps_with_every_default_says_the_same(kind, written):
    asked = kind.model_validate(written)
    again = kind.model_validate_json(asked.model_dump_json())
    assert again == asked
    if kind is not HazeRequirement:
        assert again.at_angle(15.0) == asked.at_angle(15.0)


def test_a_decision_of_the_series_is_no_matter_at_one_angle():
    more = {"uncertainty": 0.5, "largest_uncertainty": 1.0, "rule": "simple acceptance"}
    found = AngleShiftRequirement.model_validate(SHIFT | more).at_angle(0.0)
    assert (found.uncertainty, found.largest_uncertainty, found.rule) == (None, None, None)


@pytest.mark.parametrize(
    ("kind", "written", "said"),
    [
        (AngleShiftRequirement, SHIFT | {"angle_deg": 0}, "no angle_deg"),
        (AngleShiftRequirement, SHIFT | {"angles_deg": [0]}, "at least 2 items"),
        (AngleShiftRequirement, SHIFT | {"angles_deg": [15, 0]}, "by rising angle"),
        (AngleShiftRequirement, SHIFT | {"angles_deg": [0, 1]}, "twice the angle_tolerance_deg"),
        (AngleShiftRequirement, SHIFT | {"unit": "um"}, "unit = one of nm"),
        (
            AngleShiftRequirement,
            {key: each for key, each in SHIFT.items() if key != "level"},
            'level: Field required, with number = "cut-off"',
        ),
        (
            AngleShiftRequirement,
            {key: each for key, each in SHIFT.items() if key != "largest_bandwidth_nm"},
            'largest_bandwidth_nm: Field required, with number = "cut-off"',
        ),
        (AngleSpreadRequirement, MEAN | {"level": 50}, 'no level with number = "mean"'),
        (
            AngleSpreadRequirement,
            MEAN | {"axis_unit": "cm-1"},
            "integrated_over = one of wavelength, wavenumber, photon energy",
        ),
        (AngleSpreadRequirement, MEAN | {"number": "value"}, 'with what = "value"'),
        (AngleSpreadRequirement, MEAN | {"unit": "nm"}, "of = the unit"),
        (
            EffectiveIndexRequirement,
            INDEX | {"angles_deg": [0, 30]},
            "largest_misfit with more than two angles",
        ),
        (
            EffectiveIndexRequirement,
            MEAN | {"what": "effective index", "of": "%R", "unit": "units"},
            "number = a position on the axis",
        ),
    ],
)
def test_a_series_that_contradicts_itself_is_refused(kind, written, said):
    assert re.search(re.escape(said), refused(kind, written))
