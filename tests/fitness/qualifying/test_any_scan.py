"""Whatever a scan holds, a run answers: with a number that is finite, or with why there is none."""

import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pydantic import TypeAdapter

from speclake.fitness.qualifying import Setup, qualify
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, SpectrumSet
from speclake.standards.certificates import Certificate, CertifiedBand, CertifiedValue
from speclake.standards.programmes import AnyCheck

STANDARD = Certificate(
    name="s", material="m", identification="i", certificate="c", issued_by="l",
    issued_on=date(2025, 1, 1), valid_until=None, unit="%T",
    band=tuple(CertifiedBand(position_nm=nm, uncertainty_nm=0.1) for nm in (410.0, 415.0, 425.0)),
    value=tuple(CertifiedValue(at_nm=nm, value=30, uncertainty=0.1) for nm in (405.0, 412.3)),
)  # fmt: skip
BAND = {"band": [405, 425]}
SAID = (
    {"what": "band positions", "standard": "s", "largest_error_nm": 0.5},
    {"what": "band positions", "published": "holmium glass", "tolerance": "as in the table"},
    {"what": "band positions", "published": "mercury lines", "tolerance": "USP wavelength"},
    {"what": "values", "standard": "s", "largest_error_percent": 1},
    {"what": "values", "published": "dichromate 600 mg/L in sulphuric acid, Ph. Eur.",
     "tolerance": "as in the table"},
    {"what": "stray light", "unit": "A", "limit": 3, **BAND},
    {"what": "stray light", "unit": "%T", "limit": 0.1, **BAND},
    {"what": "resolution", "line_nm": 415, "largest_width_nm": 2},
    {"what": "resolution", "maximum_nm": 415, "minimum_nm": 412, "least_ratio": 1.5},
    {"what": "flatness", "largest_deviation_percent": 0.3, **BAND},
    {"what": "noise", "largest_rms": 0.1, "unit": "%T", **BAND},
    {"what": "check sample", "at_nm": 415, "unit": "%T", "target": 30, "tolerance": 1},
    {"what": "check sample", "unit": "%R", **BAND},
    {"what": "drift", "at_nm": 415, "largest_an_hour": 1, "unit": "%T"},
    {"what": "repeatability", "at_nm": 415, "largest_sd": 1, "unit": "A", "scans": 3},
)  # fmt: skip
CHECKS = [TypeAdapter(AnyCheck).validate_python({"id": "c", "every_days": 7, **s}) for s in SAID]
FULL = np.arange(400.0, 440.25, 0.25)

NUMBERS = st.one_of(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.sampled_from([0.0, 100.0, np.nan, 1e-300, 1e30, -1e30, 10.0]),
)


@st.composite
def scans(draw, rows):
    """Any values on part of the grid: repeated ones, missing ones, one point alone."""
    first = draw(st.integers(0, 100))
    nm = FULL[first : first + draw(st.integers(1, FULL.size))]
    shape = (rows, nm.size)
    values = draw(arrays(np.float64, shape, elements=NUMBERS, fill=draw(st.sampled_from(
        [st.just(50.0), st.just(np.nan), st.just(0.0)]))))  # fmt: skip
    if draw(st.booleans()):
        rng = np.random.default_rng(draw(st.integers(0, 9)))
        values = values + rng.normal(0, draw(st.sampled_from([1e-9, 0.1, 10])), shape)
    unit = draw(st.sampled_from(["%T", "T", "A", "%R", "log(1/R)", "%A+S"]))
    keys = tuple(str(i) for i in range(rows))
    return SpectrumSet(Axis(nm, "nm", draw(st.sampled_from(["air", None]))), values, unit, keys)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: f"{check.what}")
@settings(max_examples=60)
@given(data=st.data())
def test_any_scan_has_an_answer(check, data):
    rows = 4 if check.of_several else 1
    spectra = data.draw(scans(rows))
    start = datetime(2026, 3, 2, tzinfo=UTC)
    times = tuple(start + timedelta(minutes=i) for i in range(rows))
    standard = STANDARD if getattr(check, "standard", None) else None
    with np.errstate(all="ignore"):
        found = qualify(check, spectra, Setup(taken_at=times, range_nm=(400, 440)), standard)
    assert found
    for reading in found:
        assert reading.unit
        if reading.outcome is Outcome.NOT_MEASURABLE:
            assert reading.reason
            assert reading.value is None
        else:
            assert math.isfinite(reading.value)
            assert reading.uncertainty is None or reading.uncertainty >= 0
            if reading.outcome is not Outcome.PASS:
                assert reading.reason


def test_an_axis_that_has_no_wavelengths_is_not_measurable():
    spectra = SpectrumSet(Axis(np.arange(0.0, 50.0), "cm-1"), np.ones((1, 50)), "%T", ("a",))
    setup = Setup(taken_at=(datetime(2026, 3, 2, tzinfo=UTC),), range_nm=(400, 440))
    for check in CHECKS:
        if not check.of_several:
            (found, *_) = qualify(check, spectra, setup, STANDARD)
            assert found.outcome is Outcome.NOT_MEASURABLE
