"""Where bands and lines are found, how well that is known, and what is said where none is."""

from datetime import UTC, date, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.conversion import convert_set
from speclake.fitness.qualifying import Setup, qualify
from speclake.fitness.qualifying.peaks import find_band, find_line
from speclake.fitness.qualifying.scan import Scan, noise_of
from speclake.measurement import Range
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, SpectrumSet
from speclake.standards.certificates import Certificate, CertifiedBand
from speclake.standards.programmes import BandPositions

NM = np.arange(400.0, 501.0, 0.5)


def certificate(*positions, sense="minimum", bandwidth_nm=None, valid_until=None):
    bands = tuple(CertifiedBand(position_nm=nm, uncertainty_nm=0.1) for nm in positions)
    return Certificate(
        name="glass", material="glass", identification="G-1", certificate="c 1",
        issued_by="a laboratory", issued_on=date(2025, 1, 1), valid_until=valid_until,
        sense=sense, bandwidth_nm=bandwidth_nm, band=bands,
    )  # fmt: skip


def check(**keys):
    said = {"largest_error_nm": 0.5, **keys}
    return BandPositions(id="bands", what="band positions", every_days=30, standard="glass", **said)


def band(nm, at, depth=0.6, width=2.0):
    return 100 * 10 ** -(depth * np.exp(-0.5 * ((nm - at) / width) ** 2))


def one(values, unit="%T", nm=NM, medium="air"):
    return SpectrumSet(Axis(nm, "nm", medium), np.atleast_2d(values), unit, ("a",))


def setup(bandwidth_nm=None, range_nm=(400.0, 500.0), at=datetime(2026, 3, 2, tzinfo=UTC)):
    ranges = () if bandwidth_nm is None else (Range(*range_nm, bandwidth_nm),)
    return Setup(taken_at=(at,), range_nm=range_nm, ranges=ranges)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize("interval", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("noise", [0.02, 0.3])
def test_the_uncertainty_of_a_band_covers_its_error(interval, noise):
    rng = np.random.default_rng(7)
    errors, stated = [], []
    for _ in range(100):
        at = 450 + rng.uniform(-1, 1)
        nm = np.arange(430, 470, interval)
        values = band(nm, at) * band(nm, at + 3.1, 0.2, 1.7) / 100
        fine = np.arange(at - 2, at + 2, 0.001)
        true = fine[np.argmin(band(fine, at) * band(fine, at + 3.1, 0.2, 1.7))]
        scan = Scan(nm, values + rng.normal(0, noise, nm.size), "%T", "air")
        found = find_band(scan, 450.0, (447.5, 452.5), 5.0)
        errors.append(found.at - true)
        stated.append(found.standard_uncertainty)
    assert rms(errors) < 1.2 * rms(stated)
    assert np.mean(np.abs(errors) <= 2 * np.array(stated)) >= 0.88
    assert rms(errors) < 0.1


@pytest.mark.parametrize("interval", [0.05, 0.25, 0.5])
@pytest.mark.parametrize("noise", [0.02, 0.3])
def test_the_uncertainty_of_a_line_covers_its_error_and_that_of_its_width(interval, noise):
    rng = np.random.default_rng(8)
    places, widths = [], []
    for _ in range(100):
        at = 450 + rng.uniform(-1, 1)
        nm = np.arange(440, 460, interval)
        values = 3 + 0.1 * (nm - 440) + 60 * np.clip(1 - np.abs(nm - at) / 1.5, 0, None)
        found = find_line(
            Scan(nm, values + rng.normal(0, noise, nm.size), "%T", "air"), 450.0, (445, 455)
        )
        places.append((found.at - at, found.standard_uncertainty))
        widths.append((found.width - 1.5, found.width_uncertainty))
    for errors, stated in (np.array(places).T, np.array(widths).T):
        assert np.mean(np.abs(errors) <= 2 * stated) >= 0.9
    assert rms(np.array(places)[:, 0]) < 0.02


@settings(max_examples=30)
@given(st.floats(-1.5, 1.5), st.sampled_from([0.1, 0.2, 0.25, 0.5]))
def test_a_shift_of_the_scale_is_the_error(shift, interval):
    nm = np.arange(400, 500, interval)
    (found,) = qualify(check(), one(band(nm, 450 + shift), nm=nm), setup(), certificate(450.0))
    assert found.error == pytest.approx(shift, abs=0.01)
    assert found.at == found.value
    assert abs(found.error - (found.value - found.expected)) < 1e-9


@pytest.mark.parametrize("unit", ["T", "A"])
def test_units_of_the_values_do_not_matter(unit):
    percent = one(band(NM, 450.2) + np.random.default_rng(3).normal(0, 0.05, NM.size))
    (first,) = qualify(check(), percent, setup(), certificate(450.0))
    (other,) = qualify(check(), convert_set(percent, unit=unit), setup(), certificate(450.0))
    assert other.error == pytest.approx(first.error, abs=0.01)
    assert other.outcome is first.outcome


@pytest.mark.parametrize("axis_unit", ["cm-1", "eV", "um"])
def test_units_of_the_axis_do_not_matter(axis_unit):
    spectra = one(band(NM, 450.2), medium="air")
    (first,) = qualify(check(), spectra, setup(), certificate(450.0))
    (other,) = qualify(
        check(), convert_set(spectra, axis_unit=axis_unit), setup(), certificate(450.0)
    )
    assert other.error == pytest.approx(first.error, abs=1e-3)


def test_missing_values_beside_the_band_change_nothing_and_in_it_are_told():
    values = band(NM, 450.2)
    beside = np.where(np.abs(NM - 470) < 2, np.nan, values)
    (found,) = qualify(check(), one(beside), setup(), certificate(450.0))
    assert found.error == pytest.approx(0.2, abs=0.02)
    inside = np.where(np.abs(NM - 450) < 8, np.nan, values)
    (lost,) = qualify(check(), one(inside), setup(), certificate(450.0))
    assert lost.outcome is Outcome.NOT_MEASURABLE
    assert lost.value is None
    assert lost.reason


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_is_no_band(seed):
    noise = np.random.default_rng(seed).normal(90, 0.3, NM.size)
    (found,) = qualify(check(), one(noise), setup(), certificate(450.0))
    assert found.outcome is Outcome.NOT_MEASURABLE
    assert "no band" in found.reason


def test_a_slope_is_no_band():
    (found,) = qualify(check(), one(NM / 10), setup(), certificate(450.0))
    assert found.outcome is Outcome.NOT_MEASURABLE


def test_the_outcome_is_guarded_unless_the_check_says_otherwise():
    """U is at least 0.1 nm, the certificate's: an error of 0.45 nm is too near to 0.5 nm."""
    spectra = one(band(NM, 450.45))
    (guarded,) = qualify(check(), spectra, setup(), certificate(450.0))
    assert guarded.outcome is Outcome.UNDECIDED
    assert "too near to the limit" in guarded.reason
    (simple,) = qualify(check(rule="simple acceptance"), spectra, setup(), certificate(450.0))
    assert simple.outcome is Outcome.PASS
    assert simple.uncertainty == guarded.uncertainty >= 0.1
    assert (simple.low, simple.high) == (-0.5, 0.5)


def test_a_certificate_counts_only_on_the_days_it_holds():
    spectra, until = one(band(NM, 450.0)), date(2026, 3, 1)
    for at, outcome in (
        (datetime(2026, 3, 1, 23, 59, tzinfo=UTC), Outcome.PASS),
        (datetime(2026, 3, 2, tzinfo=UTC), Outcome.NOT_MEASURABLE),
        (datetime(2024, 12, 31, tzinfo=UTC), Outcome.NOT_MEASURABLE),
    ):
        held = certificate(450.0, valid_until=until)
        (found,) = qualify(check(), spectra, setup(at=at), held)
        assert found.outcome is outcome
    assert "issued on 2025-01-01" in found.reason
    late = setup(at=datetime(2026, 3, 2, tzinfo=UTC))
    (found,) = qualify(check(), spectra, late, certificate(450.0, valid_until=until))
    assert found.reason == (
        "the certificate of glass (c 1) was valid until 2026-03-01, before the scan of 2026-03-02"
    )


def test_a_certificate_that_is_not_there_is_told():
    (found,) = qualify(check(), one(band(NM, 450.0)), setup(), None)
    assert found.reason == "there is no certificate of glass"
    assert found.outcome is Outcome.NOT_MEASURABLE


def test_bands_are_compared_at_the_bandwidth_of_the_certificate():
    spectra, held = one(band(NM, 450.0)), certificate(450.0, bandwidth_nm=1.0)
    outcomes = {
        bandwidth: qualify(check(), spectra, setup(bandwidth), held)[0]
        for bandwidth in (1, 2, None)
    }
    assert outcomes[1].outcome is Outcome.PASS
    assert not outcomes[1].reason
    assert outcomes[2].outcome is Outcome.NOT_MEASURABLE
    assert "and the scan has 2 nm" in outcomes[2].reason
    assert outcomes[None].outcome is Outcome.PASS
    assert "is unknown" in outcomes[None].reason


def test_only_bands_in_the_range_count_and_each_of_them_does():
    held = certificate(380.0, 450.0, 480.0)
    values = band(NM, 450.0)
    in_range = qualify(check(), one(values), setup(), held)
    assert [r.expected for r in in_range] == [450.0, 480.0]
    assert [r.outcome for r in in_range] == [Outcome.PASS, Outcome.NOT_MEASURABLE]
    (chosen,) = qualify(check(band=(440.0, 460.0)), one(values), setup(), held)
    assert chosen.expected == 450.0
    beyond = qualify(check(), one(values), setup(range_nm=(300.0, 500.0)), held)
    assert beyond[0].reason == "the scan does not reach 380 nm"
    (none,) = qualify(check(), one(values), setup(range_nm=(500.0, 600.0)), held)
    assert "no band that can be told apart from 500 nm to 600 nm" in none.reason


def test_neighbours_are_not_taken_for_one_another():
    """The deeper one lies in reach of the search for the other, 5 nm to both sides."""
    values = band(NM, 447.0) * band(NM, 453.0, 0.3, 1.5) / 100
    wide = check(window_nm=10.0)
    found = qualify(wide, one(values), setup(), certificate(447.0, 453.0))
    assert [r.value for r in found] == pytest.approx([447.0, 453.0], abs=0.1)


def test_points_too_far_apart_are_told():
    nm = np.arange(400.0, 500.0, 1.5)
    (found,) = qualify(check(), one(band(nm, 450.0, 0.6, 4), nm=nm), setup(), certificate(450.0))
    assert found.outcome is Outcome.NOT_MEASURABLE
    assert "1.5 nm apart" in found.reason
    lines = 60 * np.clip(1 - np.abs(NM - 450.1) / 0.5, 0, None) + 2
    (found,) = qualify(check(), one(lines), setup(), certificate(450.0, sense="maximum"))
    assert found.outcome is Outcome.NOT_MEASURABLE
    assert "0.5 nm apart" in found.reason


def test_a_line_that_is_cut_off_is_not_measured():
    lines = np.minimum(60 * np.clip(1 - np.abs(NM - 450.1) / 2, 0, None) + 2, 40)
    (found,) = qualify(check(), one(lines), setup(), certificate(450.0, sense="maximum"))
    assert found.reason == "the line at 449.5 nm is cut off at its top"


def test_a_vacuum_line_below_air_is_not_measurable_on_a_scale_in_air():
    nm = np.arange(180.0, 190.0, 0.1)
    lines = 60 * np.clip(1 - np.abs(nm - 184.95) / 0.5, 0, None) + 2
    lamp = BandPositions(
        id="lamp", what="band positions", every_days=30, published="mercury lines",
        largest_error_nm=0.3,
    )  # fmt: skip
    deep = setup(range_nm=(180.0, 190.0))
    (purged,) = qualify(lamp, one(lines, nm=nm, medium="vacuum"), deep, None)
    assert purged.outcome is Outcome.PASS
    (air,) = qualify(lamp, one(lines, nm=nm, medium="air"), deep, None)
    assert air.outcome is Outcome.NOT_MEASURABLE
    assert "between air and vacuum" in air.reason


def test_the_noise_of_single_points_is_taken_without_their_course():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 1, 2000)
    found = noise_of(50 + 20 * x * x + rng.normal(0, 0.1, x.size))
    assert found == pytest.approx(0.1, rel=0.1)
    assert noise_of(np.full(50, 3.2)) == 0
    # a step of the last digit of 0.1 hides smaller noise: 0.1 / sqrt(12)
    assert noise_of((x * 3).round(1)) == pytest.approx(0.1 / np.sqrt(12))
    assert np.isnan(noise_of(np.ones(5)))


def test_times_and_scans_have_to_match():
    with pytest.raises(ValueError, match="1 times for 2 scans"):
        both = SpectrumSet(Axis(NM, "nm"), np.ones((2, NM.size)), "%T", ("a", "b"))
        qualify(check(), both, setup(), certificate(450.0))
    at = datetime(2026, 3, 2, tzinfo=UTC)
    twice = Setup(taken_at=(at, at), range_nm=(400.0, 500.0))
    with pytest.raises(ValueError, match="one scan for band positions, found 2"):
        qualify(check(), both, twice, certificate(450.0))


def test_a_scan_without_values_is_not_measurable():
    (found,) = qualify(check(), one(np.full(NM.size, np.nan)), setup(), certificate(450.0))
    assert found.reason == "the scan has no values"
