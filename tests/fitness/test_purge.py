"""Oxygen and water vapour in the beam: found where they are, and not where something else is."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from speclake_plugins.jcamp import JcampImporter

from speclake.checks import Check, Severity
from speclake.errors import MalformedFile
from speclake.fitness.circumstances import Circumstances
from speclake.fitness.falsealarms import share
from speclake.fitness.gaslines import oxygen, water
from speclake.fitness.purge import check_oxygen_bands, check_purge, check_water_bands
from speclake.fitness.structures import drawn
from speclake.fitness.subject import Subject
from speclake.importing import Source
from speclake.measurement import Range
from speclake.settings import Fitness
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import air_from_vacuum, vacuum_from_air

DATA = Path(__file__).parent.parent / "data"
UV = np.arange(185.0, 260.0, 0.5)
NIR = np.arange(1200.0, 2101.0, 2.0)
LIMITS = Fitness()


def found(check, at, values, bandwidth_nm=1.0, unit="%T", axis_unit="nm", medium="vacuum", **known):
    values = np.atleast_2d(values)
    ranges = () if bandwidth_nm is None else (Range(100.0, 3500.0, bandwidth_nm),)
    each = Circumstances(ranges=ranges, **known)
    spectra = SpectrumSet(
        Axis(at, axis_unit, medium), values, unit, tuple(str(i) for i in range(len(values)))
    )
    return list(check(Subject(spectra, [each] * len(values), LIMITS)))


def rows(said) -> set[int]:
    return {row for row, _ in said}


def noise(seed, n, at, rms=0.05):
    return rms * np.random.default_rng(seed).standard_normal((n, at.size))


def oxygen_at(at, bandwidth_nm=1.0, power=1.0):
    return drawn(oxygen(), at, bandwidth_nm, power)


# size


def test_size_of_oxygen_is_right_within_its_uncertainty():
    values = 90 * 10 ** -(0.02 * oxygen_at(UV)) + noise(1, 400, UV)
    said = found(check_oxygen_bands, UV, values)
    assert rows(said) == set(range(400))
    amounts = np.array([f.value for _, f in said])
    stated = np.array([f.uncertainty for _, f in said]) / 2
    # the mean is right, and the scatter is what is stated
    assert amounts.mean() == pytest.approx(0.02, abs=4 * amounts.std() / 20)
    assert amounts.std() == pytest.approx(float(np.median(stated)), rel=0.15)


@pytest.mark.parametrize(("amount", "words"), [(0.02, "more oxygen"), (-0.02, "less oxygen")])
def test_either_sign_is_named(amount, words):
    values = 90 * 10 ** -(amount * oxygen_at(UV)) + noise(2, 1, UV)
    ((_, said),) = found(check_oxygen_bands, UV, values)
    assert said.check is Check.OXYGEN
    assert said.severity is Severity.DOUBT
    assert words in said.text
    assert np.sign(said.value) == np.sign(amount)
    assert said.start == 185.0
    # beyond this the bands are below a hundredth of the strongest
    assert 194 < said.stop < 200


def test_little_of_it_is_only_remarked():
    values = 90 * 10 ** -(0.0015 * oxygen_at(UV)) + noise(3, 1, UV, 0.003)
    ((_, said),) = found(check_oxygen_bands, UV, values)
    # 0.0015 A are 0.3 % of 90 %T, less than the scale's 0.5 %
    assert said.severity is Severity.REMARK


def test_absorbances_fractions_and_energies_tell_the_same():
    true = 0.02 * oxygen_at(UV)
    transmittance = 0.9 * 10**-true + noise(4, 1, UV, 0.0005)
    ((_, in_t),) = found(check_oxygen_bands, UV, transmittance, unit="T")
    ((_, in_a),) = found(check_oxygen_bands, UV, -np.log10(transmittance), unit="A")
    assert in_a.value == pytest.approx(in_t.value, rel=0.05)
    ev = 1239.84198 / UV[::-1]
    ((_, in_ev),) = found(check_oxygen_bands, ev, transmittance[:, ::-1], unit="T", axis_unit="eV")
    assert in_ev.value == pytest.approx(in_t.value, rel=1e-6)
    assert in_ev.at == pytest.approx(1239.84198 / in_t.at)


def test_wavelengths_in_air_are_understood():
    air = np.arange(186.0, 240.0, 0.25)
    values = 90 * 10 ** -(0.02 * oxygen_at(vacuum_from_air(air), 0.5)) + noise(5, 1, air)
    ((_, said),) = found(check_oxygen_bands, air, values, 0.5, medium="air")
    assert said.value == pytest.approx(0.02, abs=said.uncertainty)
    assert said.at in air


def test_missing_values_neither_hide_it_nor_make_it():
    values = 90 * 10 ** -(0.02 * oxygen_at(UV)) + noise(6, 2, UV)
    values[1] = 90 + noise(7, 1, UV)
    values[:, 8] = np.nan
    values[:, 20:22] = np.nan
    said = found(check_oxygen_bands, UV, values)
    assert rows(said) == {0}
    assert said[0][1].value == pytest.approx(0.02, abs=2 * said[0][1].uncertainty)


def test_unknown_bandwidth_is_said():
    values = 90 * 10 ** -(0.02 * oxygen_at(UV)) + noise(8, 1, UV)
    ((_, said),) = found(check_oxygen_bands, UV, values, None)
    assert "bandwidth unknown, taken as 1 nm" in said.text


def test_bands_flattened_by_much_oxygen_are_found_too():
    values = 90 * 10 ** -(0.05 * oxygen_at(UV, power=0.5)) + noise(9, 50, UV)
    assert len(rows(found(check_oxygen_bands, UV, values))) == 50


# where nothing can be said


def test_spectrum_that_does_not_reach_three_bands_is_left_alone():
    at = np.arange(193.0, 260.0, 0.5)
    values = 90 * 10 ** -(0.1 * oxygen_at(at))
    assert found(check_oxygen_bands, at, values) == []


def test_opaque_and_constant_spectra_are_left_alone():
    values = np.concatenate(
        [noise(10, 50, UV, 0.01), np.zeros((1, UV.size)), np.full((1, UV.size), 100.0)]
    )
    assert found(check_oxygen_bands, UV, values) == []
    assert found(check_oxygen_bands, UV, np.full((1, UV.size), np.nan)) == []


# receiver operating characteristic


def likely_at_most(alarms: int, n: int, chance: float) -> bool:
    return alarms <= stats.binom.ppf(0.9999, n, chance)


def rival_spectra(kind: str, n: int, at, seed: int):
    draw = np.random.default_rng(seed)
    low, high = at[0], at[-1]

    def u(a, b):
        return draw.uniform(a, b, (n, 1))

    def fringe(amplitude):
        period = np.exp(u(np.log(300 if high < 300 else 150), np.log(4000)))
        return amplitude * np.sin(2 * np.pi * 1e7 / at / period + u(0, 6.3))

    widths = u(1, 10) if high < 300 else u(5, 60)
    made = {
        "flat": lambda: np.full((n, at.size), 90.0),
        "edge": lambda: 90 / (1 + np.exp(-np.clip((at - u(low, high)) / u(1, 20), -99, 99))),
        "fringe": lambda: 85 + fringe(u(0.2, 10)),
        "layers": lambda: np.clip(50 + sum(fringe(u(0, 10)) for _ in range(6)), 0, 100),
        "band": lambda: 90 - u(0.2, 20) * np.exp(-(((at - u(low, high)) / widths) ** 2)),
        # hydroxyl in ordinary silica: 1383, 2210, 2730 nm, each with a tail to the red; positions:
        # O. Humbach and others, J. Non-Cryst. Solids 203 (1996) 19, from memory
        "hydroxyl": lambda: 90
        * 10 ** -(u(0.003, 0.2) * sum(
            h * np.exp(-0.5 * ((at - c) / np.where(at < c, a, b)) ** 2)
            for h, c, a, b in ((1, 1383, 6, 10), (0.3, 1402, 15, 20), (0.2, 1895, 40, 40))
        )),
        # liquid water and adsorbed films: broad bands at 1450 and 1930 nm; common practice
        "liquid water": lambda: 90
        * 10 ** -(u(0.003, 0.2) * sum(
            h * np.exp(-0.5 * ((at - c) / np.where(at < c, 20, 40)) ** 2)
            for h, c in ((1, 1450), (2.5, 1930))
        )),
    }  # fmt: skip
    return made[kind]() + noise(seed + 1, n, at)


@pytest.mark.parametrize("kind", ["flat", "edge", "fringe", "layers", "band"])
def test_false_alarms_of_oxygen_stay_within_their_share(kind):
    n = 4000
    said = found(check_oxygen_bands, UV, rival_spectra(kind, n, UV, 11))
    assert likely_at_most(len(rows(said)), n, share(LIMITS))


@pytest.mark.parametrize("ends", ["three times from 200 nm on", "rising all the way"])
def test_noise_that_grows_towards_short_wavelengths_is_no_oxygen(ends):
    n = 4000
    rms = np.where(UV < 200, 0.06, 0.02) if "three" in ends else 0.02 * np.exp((230 - UV) / 15)
    said = found(check_oxygen_bands, UV, 70 + UV / 10 + rms * noise(16, n, UV, 1.0))
    assert likely_at_most(len(rows(said)), n, share(LIMITS))


@pytest.mark.parametrize(
    "kind", ["flat", "edge", "fringe", "layers", "band", "hydroxyl", "liquid water"]
)
def test_false_alarms_of_water_stay_within_their_share(kind):
    n = 4000
    said = found(check_water_bands, NIR, rival_spectra(kind, n, NIR, 12), 8.0)
    assert likely_at_most(len(rows(said)), n, share(LIMITS))


@pytest.mark.parametrize(("amount", "least"), [(0.003, 0.08), (0.007, 0.95)])
def test_oxygen_is_detected_as_often_as_is_told(amount, least):
    # noise 0.05 % of 90 %, 0.5 nm apart, bandwidth 1 nm
    values = 90 * 10 ** -(amount * oxygen_at(UV)) + noise(13, 1000, UV)
    assert len(rows(found(check_oxygen_bands, UV, values))) / 1000 >= least


@pytest.mark.parametrize(("amount", "least"), [(0.001, 0.3), (0.002, 0.95)])
@pytest.mark.parametrize("band", ["1380 nm", "1870 nm"])
def test_water_is_detected_as_often_as_is_told(band, amount, least):
    values = 90 * 10 ** -(amount * drawn(water(band), NIR, 8.0)) + noise(14, 1000, NIR)
    assert len(rows(found(check_water_bands, NIR, values, 8.0))) / 1000 >= least


def test_smoothed_noise_is_no_gas():
    z = noise(15, 4000, np.arange(UV.size + 6))
    smoothed = np.stack([np.convolve(row, np.ones(7) / 7, "valid") for row in z])
    said = found(check_oxygen_bands, UV, 90 + smoothed)
    assert likely_at_most(len(rows(said)), 4000, share(LIMITS))
    # 14 nm are about as wide as the structure of water: twice the share is told in the docs
    said = found(
        check_water_bands, np.arange(1290.0, 1290.0 + 2 * UV.size, 2.0), 90 + smoothed, 8.0
    )
    assert likely_at_most(len(rows(said)), 4000, 2 * share(LIMITS))


@pytest.mark.parametrize("amplitude", [0.5, 2.0])
def test_oxygen_is_found_on_a_fringe_too(amplitude):
    phase = np.random.default_rng(17).uniform(0, 6.3, (100, 1))
    fringe = amplitude * np.sin(2 * np.pi * 1e7 / UV / 4000 + phase)
    values = (90 + fringe) * 10 ** -(0.05 * oxygen_at(UV)) + noise(18, 100, UV)
    assert len(rows(found(check_oxygen_bands, UV, values))) >= 95


@pytest.mark.parametrize(("at", "width"), [(185, 5), (190, 5), (195, 8)])
def test_oxygen_is_found_on_an_edge_too(at, width):
    edge = 90 / (1 + np.exp(-(UV - at) / width))
    values = edge * 10 ** -(0.05 * oxygen_at(UV)) + noise(19, 100, UV)
    assert len(rows(found(check_oxygen_bands, UV, values))) >= 95


# real spectra


def test_water_vapour_is_found_in_the_solar_spectrum():
    # ASTM G173-03, direct over extraterrestrial: water vapour of a whole atmosphere, opaque in
    # places, so that the bands are flattened far beyond anything in a laboratory
    nm, above, _, direct = np.loadtxt(DATA / "astm_g173_03.csv", delimiter=",", skiprows=2).T
    seen = (nm >= 1200) & (nm <= 2100)
    depth = -np.log10(np.maximum(direct[seen] / above[seen], 1e-6))
    said = [f for _, f in found(check_water_bands, nm[seen], depth, 5.0, unit="A", medium="air")]
    assert [f.check for f in said] == [Check.WATER] * 2
    assert all(f.value > 0.5 and "more water vapour" in f.text for f in said)
    # 1368 nm and 1870 nm are the deepest places of these bands in the table
    for one, deepest in zip(said, (1368, 1870), strict=True):
        assert one.start < deepest < one.stop


PERCENT = {"percent": {"importer": "jcamp", "settings": {"value_units": {"TRANSMITTANCE": "%T"}}}}


def open_spectra():
    """Name and spectrum of each open spectrum that is one of light."""
    for path in sorted((DATA / "open_spectra").glob("*.jdx")):
        try:
            source = Source(path.name, path.read_bytes(), PERCENT, "percent")
            read = list(JcampImporter().read(source))
        except MalformedFile:
            continue
        for number, each in enumerate(read):
            yield f"{path.stem} {number}", each


def likeness_to_single_lines(spectrum) -> float:
    """Correlation with the rotational lines from 3500 to 3980 cm-1 at 3 cm-1, slow parts taken off.

    A second look by other means: it needs a resolution at which the lines stand apart.
    """
    lines = water("2660 nm")
    seen = (spectrum.axis.values > 3500) & (spectrum.axis.values < 3980)
    at, values = spectrum.axis.values[seen], spectrum.values[seen]
    width = int(30 / (at[1] - at[0])) | 1

    def fast(v):
        return (v - np.convolve(v, np.ones(width) / width, "same"))[width:-width]

    drawn_lines = np.exp(-0.5 * ((at[:, None] - lines.cm1) / 1.3) ** 2) @ lines.strength
    return float(np.corrcoef(fast(-np.log10(values)), fast(drawn_lines))[0, 1])


def test_water_vapour_of_open_spectra_is_found_with_its_sign_and_nothing_else_is():
    # nobody says which of them hold water vapour; the single lines do
    signs, looked_at = {}, 0
    for name, each in open_spectra():
        looked_at += 1
        for check in (check_oxygen_bands, check_water_bands):
            for _, said in found(
                check, each.axis.values, each.values, None, each.unit,
                each.axis.unit, each.axis.medium,
            ):  # fmt: skip
                assert said.check is Check.WATER
                assert np.sign(said.value) * likeness_to_single_lines(each) > 0.5
                signs[name] = int(np.sign(said.value))
    assert looked_at > 15
    assert signs == {
        "ir_affn_decreasing 0": 1,
        "ir_pac_decreasing 0": -1,
    }


# purge and sensor


def test_short_purge_and_oxygen_sensor_are_told():
    values = np.full((1, UV.size), 90.0)
    said = [f for _, f in found(check_purge, UV, values, purge_min=3.0, oxygen_ppm=120.0)]
    assert [(f.value, f.unit) for f in said] == [(3.0, "min"), (120.0, "ppm")]
    assert all(f.check is Check.OXYGEN and f.severity is Severity.DOUBT for f in said)
    assert (said[0].start, said[0].stop) == (185.0, 199.5)
    assert all("Nitrogen displaces the air" in f.advice for f in said)


def test_good_or_unknown_purge_is_not_remarked():
    values = np.full((1, UV.size), 90.0)
    assert found(check_purge, UV, values, purge_min=10.0, oxygen_ppm=50.0) == []
    assert found(check_purge, UV, values) == []


def test_purge_does_not_matter_where_air_is_clear():
    at = np.arange(200.0, 400.0)
    assert found(check_purge, at, np.full((1, at.size), 90.0), purge_min=0.0) == []


def test_air_and_vacuum_differ_by_less_than_a_bandwidth():
    assert float(193.0 - air_from_vacuum(193.0)) < 0.1
