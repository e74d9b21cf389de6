"""Wavelength and photometric standards against other sources, and what is found in spectra of them.

Positions and values that are from memory say so in their tables. What confirms them here does not
come from the same page: laws of atomic physics, the text of a pharmacopoeia, closed forms, and a
measured spectrum of polystyrene.
"""

from datetime import UTC, date, datetime
from functools import cache

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from speclake.fitness.qualifying import Setup, qualify
from speclake.fitness.qualifying.straylight import apparent_absorbance
from speclake.measurement import Range
from speclake.quantities.smoothing import smoothed
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, SpectrumSet
from speclake.standards import published
from speclake.standards.certificates import Certificate, CertifiedBand
from speclake.standards.programmes import BandPositions, Resolution, StrayLight, Values
from speclake.units import air_from_vacuum, vacuum_from_air
from tests.published.test_jcamp_open_spectra import spectra as open_spectra

STEP = 0.01
"""Of the grid on which spectra are simulated, nm."""


def setup(bandwidth_nm=None, range_nm=(190.0, 2500.0)):
    known = () if bandwidth_nm is None else (Range(*range_nm, bandwidth_nm),)
    at = datetime(2026, 3, 2, 8, tzinfo=UTC)
    return Setup(taken_at=(at,), range_nm=range_nm, ranges=known)


def one(nm, values, unit="%T", medium="air"):
    return SpectrumSet(Axis(nm, "nm", medium), np.atleast_2d(values), unit, ("a",))


def slit(bandwidth_nm):
    """Triangular slit function on the fine grid; its width at half height is the bandwidth."""
    at = np.arange(-bandwidth_nm, bandwidth_nm + STEP / 2, STEP)
    weights = np.clip(1 - np.abs(at) / bandwidth_nm, 0, None)
    return weights / weights.sum()


@cache
def real_noise():
    """What a local cubic leaves of five measured spectra, scaled to an rms of one."""
    left = []
    for each in open_spectra("uvvis_linked_kinetics_5"):
        spectra = SpectrumSet.of([each])
        rest = (spectra.values - smoothed(spectra, 12.0, 3).values)[0]
        left.append(rest[np.isfinite(rest)])
    rest = np.concatenate(left)
    return rest / rest.std()


def with_noise(values, rms):
    noise = real_noise()
    return values + rms * np.resize(noise, values.size)


# Tables


RYDBERG_M = 10973731.568157
"""CODATA 2018, 1/m."""
ELECTRON_IN_PROTONS, ELECTRON_IN_DEUTERONS = 5.44617021487e-4, 2.724437107462e-4
"""CODATA 2018, ratios of masses."""


@pytest.mark.parametrize(
    ("name", "ratio"),
    [
        ("hydrogen lines", ELECTRON_IN_PROTONS),
        ("deuterium lines", ELECTRON_IN_DEUTERONS),
    ],
)
def test_balmer_lines_are_those_of_the_rydberg_formula(name, ratio):
    """Balmer formula with the reduced mass; fine structure moves the means by 0.01 nm at most."""
    rydberg = RYDBERG_M / (1 + ratio)
    computed = [1e9 / rydberg / (1 / 4 - 1 / n**2) for n in (4, 3)]
    listed = [band.position_nm for band in published.bands(name).bands]
    assert listed == pytest.approx(air_from_vacuum(computed), abs=0.01)


def test_mercury_lines_obey_the_combination_principle():
    """Ritz: lines to two levels of 6p 3P differ by the same wavenumber, whatever they come from."""
    at = {round(b.position_nm): b.position_nm for b in published.bands("mercury lines").bands}
    nu = {key: 1e7 / float(vacuum_from_air(nm)) for key, nm in at.items() if key > 200}
    first, second = nu[405] - nu[436], nu[436] - nu[546]
    assert first == pytest.approx(1767.22, abs=0.05)  # 3P1 - 3P0, handbook value from memory
    assert second == pytest.approx(4630.68, abs=0.05)  # 3P2 - 3P1, likewise
    # 313.16 nm stands for a pair, 313.155 nm and 313.184 nm: 0.01 nm are 1 cm-1
    assert nu[297] - nu[313] == pytest.approx(first, abs=1.0)
    below = [b.position_nm for b in published.bands("mercury lines").bands if b.position_nm > 365]
    resonance = 1e7 / float(vacuum_from_air(312.567)) - 1e7 / float(vacuum_from_air(below[1]))
    assert resonance == pytest.approx(second, abs=0.1)


def test_wavelengths_are_those_of_the_pharmacopoeia():
    """European Pharmacopoeia 2.2.25, table of wavelengths, as a public page quotes it."""
    quoted_mercury = (253.7, 302.25, 313.16, 334.15, 365.48, 404.66, 435.83, 546.07, 576.96, 579.07)
    listed = np.array([b.position_nm for b in published.bands("mercury lines").bands])
    nearest = np.array([listed[np.argmin(abs(listed - nm))] for nm in quoted_mercury])
    # 302.25 is quoted for a line at 302.15 nm
    assert nearest == pytest.approx(quoted_mercury, abs=0.105)
    quoted_holmium = [241.15, 287.15, 361.5, 536.3]
    table = published.bands("holmium solution, Ph. Eur.")
    assert [b.position_nm for b in table.bands] == quoted_holmium
    nearer = published.bands("holmium solution, 1985").bands
    for band in table.bands:
        at_1_nm = [b.position_nm for b in nearer if b.bandwidth_nm == 1]
        apart = min(abs(band.position_nm - nm) for nm in at_1_nm)
        assert apart <= band.uncertainty_nm
    # the tolerances as quoted there: 1 nm in the ultraviolet, 3 nm in the visible
    allowance = published.tolerance("Ph. Eur. wavelength").allowance
    assert [allowance(nm, nm) for nm in (241.15, 536.3)] == [1.0, 3.0]
    assert [b.allowance_nm for b in table.bands] == [1.0, 1.0, 1.0, 3.0]


def test_two_papers_agree_on_holmium_within_their_uncertainties():
    """Weidner et al. 1985 and Travis et al. 2005 at 1 nm, 0.1 nm each; glass lies elsewhere."""
    old = {
        b.band: b for b in published.bands("holmium solution, 1985").bands if b.bandwidth_nm == 1
    }
    new = {b.band: b for b in published.bands("holmium solution, 2005").bands}
    assert old.keys() == new.keys()
    for band, each in new.items():
        assert abs(each.position_nm - old[band].position_nm) <= np.hypot(0.1, 0.1)


def test_absorbances_of_dichromate_follow_the_specific_absorbances():
    """Ph. Eur. 2.2.25: A(1 %, 1 cm) and ranges, from memory; 60 mg/L are 0.006 g in 100 mL."""
    specific = {235: (124.5, 122.9, 126.2), 257: (144.5, 142.8, 146.2),
                313: (48.6, 47.0, 50.3), 350: (107.3, 105.6, 109.0)}  # fmt: skip
    for row in published.values("dichromate 60 mg/L in sulphuric acid, Ph. Eur.").values:
        found = [each / 0.006 for each in (row.value, row.low, row.high)]
        assert found == pytest.approx(specific[int(row.at_nm)], abs=0.01)


def test_dichromate_is_nearly_linear_with_a_slight_gain():
    """Slopes from 20 to 100 mg/L; they exceed 5 by small deviations from Beer's law.

    Burke and Mavrodineanu, J. Res. Natl. Bur. Stand. 80A, 631 (1976), abstract.
    """
    rows = {c: published.values(f"dichromate {c} mg/L in perchloric acid").values
            for c in (20, 40, 60, 80, 100)}  # fmt: skip
    slopes = [high.value / low.value for low, high in zip(rows[20], rows[100], strict=True)]
    assert slopes == pytest.approx([5.069, 5.077, 5.042, 5.019], abs=5e-4)
    for column in zip(*rows.values(), strict=True):
        concentration = np.array(list(rows))
        fitted = np.polyval(np.polyfit(concentration, [v.value for v in column], 1), concentration)
        assert np.abs(fitted - [v.value for v in column]).max() < 0.003


# Band positions

_LOCAL = np.arange(-8, 8 + STEP / 2, STEP)


def _double(share, side):
    """Transmittance of a band with a shoulder of a share of its absorbance to one side."""
    main = np.exp(-0.5 * (_LOCAL / 0.6) ** 2)
    shoulder = np.exp(-0.5 * ((_LOCAL - side * 1.2) / 0.6) ** 2)
    return 10 ** (-0.5 * (main + share * shoulder))


def _minimum(transmittance, bandwidth_nm):
    seen = np.convolve(transmittance, slit(bandwidth_nm), "same")
    inner = seen[200:-200]
    i = 200 + int(np.argmin(inner))
    left, middle, right = seen[i - 1 : i + 2]
    return _LOCAL[i] + STEP / 2 * (left - right) / (left - 2 * middle + right)


@cache
def holmium():
    """Transmittance of an invented solution with its minima where they are published.

    At 0.1 nm and at 1 nm bandwidth: each band has a shoulder that draws it as far as the table
    says.
    """
    rows = published.bands("holmium solution, 1985").bands
    at = {(b.band, b.bandwidth_nm): b.position_nm for b in rows}
    nm = np.arange(230, 660 + STEP / 2, STEP)
    transmittance = np.ones(nm.size)
    for band in sorted({b.band for b in rows} - {10}):
        shift = at[band, 1.0] - at[band, 0.1]
        side = np.sign(shift)

        def missing(share, side=side, shift=shift):
            both = _double(share, side)
            return _minimum(both, 1.0) - _minimum(both, 0.1) - shift

        both = _double(brentq(missing, 0, 0.85, xtol=1e-4), side)
        start = at[band, 0.1] - _minimum(both, 0.1)
        transmittance *= np.interp(nm - start, _LOCAL, both)
    return nm, transmittance


def seen_holmium(bandwidth_nm, interval_nm, *, offset_nm=0.0):
    """What a scan of it shows, with real noise of 0.05 %T, exported with three decimals."""
    fine, transmittance = holmium()
    seen = 100 * np.convolve(np.pad(transmittance, 500, mode="edge"), slit(bandwidth_nm), "same")
    nm = np.arange(235, 655 + interval_nm / 2, interval_nm).round(3)
    values = np.interp(nm - offset_nm, fine, seen[500:-500])
    return nm, with_noise(values, 0.05).round(3)


HOLMIUM = BandPositions(
    id="holmium",
    what="band positions",
    every_days=30,
    published="holmium solution, 1985",
    largest_error_nm=0.5,
)


@pytest.mark.parametrize(
    ("bandwidth_nm", "interval_nm"), [(0.1, 0.05), (0.1, 0.1), (1, 0.1), (1, 0.25), (1, 0.5)]
)
def test_bands_are_found_within_the_certificate_at_its_bandwidths(bandwidth_nm, interval_nm):
    """Weidner et al. 1985: 0.1 nm; positions shift from one bandwidth to the other as published."""
    spectra = one(*seen_holmium(bandwidth_nm, interval_nm))
    found = qualify(HOLMIUM, spectra, setup(bandwidth_nm), None)
    simulated = [r for r in found if r.expected != 451.30]
    assert len(simulated) == 13
    assert [r.outcome for r in simulated] == [Outcome.PASS] * 13
    errors = np.array([r.error for r in simulated])
    assert np.abs(errors).max() < 0.1 / 2
    assert all(0.1 <= r.uncertainty < 0.2 for r in simulated)


def test_a_scale_that_is_off_is_found_off():
    spectra = one(*seen_holmium(1, 0.25, offset_nm=0.8))
    found = [r for r in qualify(HOLMIUM, spectra, setup(1), None) if r.expected != 451.30]
    assert [r.outcome for r in found] == [Outcome.FAIL] * 13
    assert [r.error for r in found] == pytest.approx([0.8] * 13, abs=0.05)
    assert "where ± 0.5 nm is allowed" in found[0].reason


def test_the_band_that_is_split_at_small_bandwidth_is_left_out():
    """Band 10 has no position at 0.1 nm."""
    fine, narrow = (qualify(HOLMIUM, one(*seen_holmium(b, 0.1)), setup(b), None) for b in (1, 0.1))
    assert len(fine) == len(narrow) + 1 == 14


def test_a_band_between_two_bandwidths_is_expected_between_its_positions():
    found = qualify(HOLMIUM, one(*seen_holmium(0.55, 0.1)), setup(0.55), None)
    band = next(r for r in found if abs(r.value - 385.5) < 1)
    assert band.expected == pytest.approx((385.45 + 385.66) / 2)
    at_1_nm = next(
        r for r in qualify(HOLMIUM, one(*seen_holmium(1, 0.1)), setup(1), None)
        if abs(r.value - 385.5) < 1
    )  # fmt: skip
    assert band.uncertainty > at_1_nm.uncertainty
    assert band.outcome is Outcome.PASS


def test_an_unknown_bandwidth_is_told_and_makes_a_position_less_certain():
    spectra = one(*seen_holmium(1, 0.1))
    known, unknown = (qualify(HOLMIUM, spectra, setup(b), None) for b in (1, None))
    shifting = [next(r for r in found if abs(r.value - 385.66) < 0.5) for found in (known, unknown)]
    assert shifting[1].expected == pytest.approx((385.45 + 385.66) / 2)
    assert shifting[1].uncertainty > 1.3 * shifting[0].uncertainty
    assert shifting[1].reason == "the bandwidth is unknown"
    assert not shifting[0].reason


def test_positions_of_glass_hold_up_to_2_nm():
    glass = BandPositions(
        id="glass", what="band positions", every_days=30, published="holmium glass",
        tolerance="as in the table",
    )  # fmt: skip
    nm = np.arange(235, 655, 0.5)
    at = {b.position_nm: b.allowance_nm for b in published.bands("holmium glass").bands}
    depths = sum(0.4 * np.exp(-0.5 * ((nm - each) / 1.7) ** 2) for each in at)
    spectra = one(nm, with_noise(100 * 10**-depths, 0.05))
    found = qualify(glass, spectra, setup(2.0), None)
    assert [r.expected for r in found] == sorted(at)
    assert [r.high for r in found] == [at[nm] for nm in sorted(at)]
    # the first allowance, 0.2 nm, is as small as the uncertainty of its position
    assert found[0].outcome is Outcome.UNDECIDED
    assert {r.outcome for r in found[1:]} == {Outcome.PASS}
    wide = qualify(glass, spectra, setup(5.0), None)
    assert {r.outcome for r in wide} == {Outcome.NOT_MEASURABLE}


def test_nothing_is_compared_at_a_bandwidth_without_published_positions():
    found = qualify(HOLMIUM, one(*seen_holmium(1, 0.25)), setup(4), None)
    assert {r.outcome for r in found} == {Outcome.NOT_MEASURABLE}
    assert "0.1 nm, 1 nm bandwidth, and the scan has 4 nm" in found[0].reason


def test_a_scan_in_vacuum_is_compared_in_vacuum():
    """Ciddor 1996: the scales differ by 0.08 nm at 253 nm and 0.15 nm at 546 nm."""
    nm, values = seen_holmium(1, 0.25)
    vacuum = np.asarray(vacuum_from_air(nm))
    said, unsaid = (
        [r.error for r in qualify(HOLMIUM, one(vacuum, values, medium=m), setup(1), None)
         if abs(r.expected - 451.3) > 0.2]
        for m in ("vacuum", None)
    )  # fmt: skip
    assert np.abs(said).max() < 0.05
    shift = np.asarray(vacuum_from_air(536.64)) - 536.64
    assert unsaid[-2] - said[-2] == pytest.approx(float(shift), abs=1e-3)


def lamp(nm, table, bandwidth_nm):
    """Lines of equal height through a triangular slit, on a slight background."""
    lines = published.bands(table).bands
    at = [b.position_nm if b.medium == "air" else np.nan for b in lines]
    rises = [np.clip(1 - np.abs(nm - each) / bandwidth_nm, 0, None) for each in at]
    return 2 + 80 * np.nansum(rises, axis=0)


@pytest.mark.parametrize("bandwidth_nm", [0.2, 1.0, 2.0])
def test_lines_are_found_to_hundredths_and_merged_ones_left_out(bandwidth_nm):
    """365.016, 365.484 and 366.328 nm are one line at 1 nm, 576.961 and 579.067 nm also at 2 nm."""
    nm = np.arange(240, 700, bandwidth_nm / 10).round(3)
    values = with_noise(lamp(nm, "mercury lines", bandwidth_nm), 0.05)
    check = BandPositions(
        id="mercury", what="band positions", every_days=30, published="mercury lines",
        tolerance="Ph. Eur. wavelength",
    )  # fmt: skip
    told = qualify(check, one(nm, values), setup(bandwidth_nm, (240.0, 700.0)), None)
    places = {round(r.expected, 1) for r in told}
    assert {r.outcome for r in told} == {Outcome.PASS}
    assert max(abs(r.error) for r in told) < 0.02
    assert places >= {253.7, 296.7, 334.1, 435.8, 546.1}
    assert (365.0 in places) == (bandwidth_nm == 0.2)
    assert (577.0 in places) == (bandwidth_nm < 2)
    assert [r.high for r in told if r.expected > 400] == [3.0] * sum(p > 400 for p in places)
    # the lines that stand alone tell the bandwidth as well as a header does
    unsaid = qualify(check, one(nm, values), setup(None, (240.0, 700.0)), None)
    assert {round(r.expected, 1) for r in unsaid} == places


def test_bands_of_a_measured_polystyrene_film_lie_where_they_are_published():
    """European Pharmacopoeia 2.2.24, wavenumbers and their tolerance of 1.0 cm-1, from memory.

    The film is of the open collection, measured in wavenumbers at a resolution of 4 cm-1.
    """
    spectra = SpectrumSet.of(open_spectra("ir_polystyrene"))
    for wavenumber in (3060.0, 2849.5, 1942.9, 1601.2, 1583.0, 1028.3):
        nm = 1e7 / wavenumber
        an_inverse_cm = nm**2 / 1e7
        film = Certificate(
            name="film", material="polystyrene", identification="open", certificate="none",
            issued_by="nobody", issued_on=date(2026, 1, 1), valid_until=None, medium="vacuum",
            band=(CertifiedBand(position_nm=nm, uncertainty_nm=0.3 * an_inverse_cm),),
        )  # fmt: skip
        check = BandPositions(
            id="film", what="band positions", every_days=30, standard="film",
            largest_error_nm=1.0 * an_inverse_cm, window_nm=16 * an_inverse_cm,
            rule="simple acceptance",
        )  # fmt: skip
        (reading,) = qualify(check, spectra, setup(None, (2500.0, 12000.0)), film)
        assert abs(1e7 / reading.value - wavenumber) < 1.0
        assert reading.outcome is Outcome.PASS


# Values, stray light, resolution


def test_dichromate_as_published_passes_and_a_scale_2_percent_off_does_not():
    """Potassium dichromate in perchloric acid, 60 mg/L; USP tolerance of 1 % or 0.010."""
    table = published.values("dichromate 60 mg/L in perchloric acid").values
    nm = np.arange(230, 361, 1.0)
    # smooth, with its extremes at the certified wavelengths, as that of the solution
    curve = PchipInterpolator([v.at_nm for v in table], [v.value for v in table])(nm)
    check = Values(
        id="dichromate", what="values", every_days=90,
        published="dichromate 60 mg/L in perchloric acid", tolerance="USP absorbance, ultraviolet",
    )  # fmt: skip
    right, wrong = (qualify(check, one(nm, curve * f, "A"), setup(), None) for f in (1.0, 1.03))
    assert [r.outcome for r in right] == [Outcome.PASS] * 4
    assert [r.expected for r in right] == [0.743, 0.865, 0.290, 0.643]
    assert [r.high for r in right] == pytest.approx([0.01] * 4)
    # at 313 nm 3 % are 0.0087, within 0.010
    outside = [r.outcome for r in wrong]
    assert outside == [Outcome.FAIL, Outcome.FAIL, Outcome.UNDECIDED, Outcome.FAIL]


@pytest.mark.parametrize(
    ("stray", "read"),
    [
        (1e-4, (0.9996, 1.9957, 2.9587, 3.6990)),
        (1e-3, (0.9961, 1.9590, 2.6994, 2.9590)),
        (1e-2, (0.9629, 1.7033, 1.9629, 2.0000)),
    ],
)
def test_stray_light_bends_absorbance_as_the_closed_form_says(stray, read):
    """A' = -log10((T + s) / (1 + s)) for A = 1, 2, 3, 4, worked out by hand to four decimals."""
    assert apparent_absorbance([1, 2, 3, 4], stray) == pytest.approx(read, abs=5e-5)


@pytest.mark.parametrize(
    ("stray", "outcome"), [(2e-3, Outcome.PASS), (2e-2, Outcome.FAIL), (1e-2, Outcome.UNDECIDED)]
)
def test_potassium_chloride_shows_stray_light_by_its_absorbance(stray, outcome):
    """European Pharmacopoeia 2.2.25: 12 g/L of potassium chloride has more than 2.0 at 198 nm."""
    rng = np.random.default_rng(198)
    nm = np.arange(190, 215, 0.2).round(1)
    true = 2 + 14 * np.clip(200 - nm, 0, None)
    seen = apparent_absorbance(true, stray * 1.0)
    transmittance = 10**-seen + rng.normal(0, 2e-4, nm.size)
    check = StrayLight(
        id="cut-off", what="stray light", every_days=90, band=(194.0, 198.0), unit="A", limit=2.0
    )
    (reading,) = qualify(check, one(nm, -np.log10(transmittance), "A"), setup(), None)
    assert reading.value == pytest.approx(-np.log10(stray / (1 + stray)), abs=0.02)
    assert reading.outcome is outcome
    assert "a true absorbance of 3 would be read as" in reading.reason


@pytest.mark.parametrize(("ratio", "outcome"), [(2.0, Outcome.PASS), (1.2, Outcome.FAIL)])
def test_toluene_in_hexane_tells_resolution_by_a_ratio(ratio, outcome):
    """European Pharmacopoeia 2.2.25: A(269) to A(266) of 0.02 % toluene in hexane at least 1.5."""
    nm = np.arange(260, 276, 0.1).round(1)
    curve = 0.3 + 0.3 * (ratio - 1) / 2 * (1 + np.cos((nm - 269) * np.pi / 3))
    check = Resolution(
        id="toluene", what="resolution", every_days=90, maximum_nm=269, minimum_nm=266,
        least_ratio=1.5,
    )  # fmt: skip
    spectra = one(nm, with_noise(curve, 0.0005), "A")
    (reading,) = qualify(check, spectra, setup(), None)
    assert reading.value == pytest.approx(ratio, rel=0.03)
    assert reading.outcome is outcome


@pytest.mark.parametrize("bandwidth_nm", [0.5, 1.0, 2.0])
def test_a_line_is_as_wide_as_the_slit(bandwidth_nm):
    """Width at half height of a line through a triangular slit is the bandwidth; 656.1032 nm."""
    nm = np.arange(645, 667, 0.1).round(1)
    rise = np.clip(1 - np.abs(nm - 656.1032) / bandwidth_nm, 0, None)
    check = Resolution(
        id="width", what="resolution", every_days=90, line_nm=656.1, largest_width_nm=2.2
    )
    spectra = one(nm, with_noise(5 + 60 * rise, 0.05))
    (reading,) = qualify(check, spectra, setup(), None)
    assert reading.value == pytest.approx(bandwidth_nm, abs=reading.uncertainty)
    assert reading.uncertainty < 0.1
    assert reading.at == pytest.approx(656.1032, abs=0.02)
    assert reading.outcome is Outcome.PASS
