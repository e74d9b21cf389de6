"""Haze of a requirement: the lead has T4, and its partners are the other three readings."""

import numpy as np
import pytest

from speclake.judging import Conditions
from speclake.judging.taking.given import Given, Partner
from speclake.judging.taking.haze import TAKERS_OF_HAZE
from speclake.specs.requirements.haze import HazeRequirement
from speclake.spectrum import Axis, SpectrumSet

ASKED = HazeRequirement.model_validate(
    {
        "id": "haze", "what": "haze", "of": "%T", "unit": "%", "edition": "2021",
        "illuminant": "C", "largest_interval": 10, "largest_age_h": 8, "at_most": "1.0",
    }
)  # fmt: skip
take = TAKERS_OF_HAZE[HazeRequirement]
T2, T3, T1 = (role.name for role in ASKED.roles[1:])


def scans(values, unit="%T", step=5.0):
    grid = np.arange(380.0, 781.0, step)
    rows = np.repeat(np.atleast_2d(np.asarray(values, float)).T, grid.size, axis=1)
    return SpectrumSet(Axis(grid, "nm"), rows, unit, tuple(f"m{row}" for row in range(len(rows))))


def partner(value, **how):
    return Partner(scans([value], **how), Conditions())


def readings(t2=90.0, t3=1.0, t1=100.0):
    return {T2: partner(t2), T3: partner(t3), T1: partner(t1)}


def test_each_lead_is_held_against_its_own_partners():
    partners = [readings(), readings(t2=80.0), readings(t3=0.0)]
    found = take(scans([6.0, 6.0, 9.0]), ASKED, Given([Conditions()] * 3, partners))
    assert found.value == pytest.approx([100 * (6 / 90 - 0.01), 100 * (6 / 80 - 0.01), 10.0])
    assert found.reasons == {}


def test_partners_may_have_other_axes_and_units():
    partners = [
        readings() | {T2: partner(0.9, unit="T", step=1.0)},
        readings() | {T2: partner(-np.log10(0.9), unit="A", step=10.0)},
        readings(),
    ]
    found = take(scans([6.0] * 3), ASKED, Given([Conditions()] * 3, partners))
    assert found.value == pytest.approx([100 * (6 / 90 - 0.01)] * 3)


def test_what_is_missing_is_said_and_leaves_the_others_alone():
    alone = take(scans([6.0]), ASKED, Given([Conditions()], [readings()])).value[0]
    partners = [readings() | {T3: "no blank with the light trap yet"}, readings()]
    found = take(scans([6.0, 6.0]), ASKED, Given([Conditions()] * 2, partners))
    assert np.isnan(found.value[0])
    assert found.reasons == {0: "no blank with the light trap yet"}
    assert found.value[1] == alone


def test_a_reflectance_among_the_readings_is_named():
    partners = [readings() | {T1: partner(100.0, unit="%R")}]
    found = take(scans([6.0]), ASKED, Given([Conditions()], partners))
    assert found.reasons == {
        0: "T1 (no specimen, white standard): its values are in %R, no transmittance"
    }


def test_a_reading_on_another_instrument_or_accessory_does_not_count():
    on = Conditions(instrument="one", accessory="sphere")
    elsewhere = Partner(scans([90.0]), Conditions(instrument="two", accessory="sphere"))
    bare = Partner(scans([90.0]), Conditions(instrument="one"))
    here = {name: Partner(each.spectrum, on) for name, each in readings().items()}
    partners = [here | {T2: elsewhere}, here | {T2: bare}, here]
    found = take(scans([6.0] * 3), ASKED, Given([on] * 3, partners))
    assert np.isnan(found.value).tolist() == [True, True, False]
    assert found.reasons == {
        0: "T2 (specimen, white standard): its instrument is two, that of T4 one",
        1: "T2 (specimen, white standard): its accessory is unknown, that of T4 sphere",
    }


def test_what_is_asked_of_a_scan_is_asked_of_every_reading():
    smoothed = Partner(scans([1.0]), Conditions(smoothed=True))
    found = take(scans([6.0]), ASKED, Given([Conditions()], [readings() | {T3: smoothed}]))
    assert found.reasons == {
        0: "T3 (no specimen, light trap): the spectrum was smoothed, and the requirement does not "
        "allow it"
    }


def test_a_scan_alone_has_no_haze():
    found = take(scans([6.0]), ASKED, Given([Conditions()]))
    assert np.isnan(found.value[0])
    assert "only one was given" in found.reasons[0]
