"""Colour by published tables and worked values.

White points: ASTM E308 tables 5 and 6 (from memory, recomputed). The sample spectrum and its
values: unit tests of colour-science 0.4.7 (practice ASTM E308-15). CIEDE2000: Sharma, Wu, Dalal,
Color Res. Appl. 30 (2005) 21-30, table 1. Yellowness: ASTM E313, as sighted in colour-science.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from speclake.quantities import Fill, Viewing, colour_number, tristimulus
from speclake.quantities.colour import difference, number_of
from speclake.quantities.tristimulus import Tristimulus, library_of_colour, weights_of
from speclake.spectrum import Axis, SpectrumSet

DATA = Path(__file__).parent / "data"
TWO, TEN = "CIE 1931 2 degree", "CIE 1964 10 degree"
FACTORS = "ASTM E2022 weighting factors"


def rows_of(name):
    lines = (DATA / name).read_text("utf-8").splitlines()
    assert lines[0].startswith("# ")  # the source
    return list(csv.DictReader(lines[1:]))


def one(y, x):
    return SpectrumSet(Axis(x, "nm"), np.array([y]), "T", ("a",))


def viewing(illuminant, observer=TWO, method="summation", interval=5, low=360.0, high=780.0,
            fill=None):  # fmt: skip
    return Viewing(illuminant=illuminant, observer=observer, method=method, interval=interval,
                   low=low, high=high, fill=fill)  # fmt: skip


SAMPLE = rows_of("e308_sample.csv")
SAMPLE_NM = np.array([float(row["wavelength_nm"]) for row in SAMPLE])
SAMPLE_T = np.array([float(row["value"]) for row in SAMPLE])

WHITE = [
    (TWO, "A", 109.850, 35.585, 0.01), (TWO, "C", 98.074, 118.232, 0.06),
    (TWO, "D50", 96.422, 82.521, 0.01), (TWO, "D65", 95.047, 108.883, 0.015),
    (TEN, "A", 111.144, 35.200, 0.015), (TEN, "C", 97.285, 116.145, 0.06),
    (TEN, "D50", 96.720, 81.427, 0.015), (TEN, "D65", 94.811, 107.304, 0.025),
]  # fmt: skip


@pytest.mark.parametrize(("method", "interval"), [("summation", 1), ("summation", 5),
                                                  (FACTORS, 10), (FACTORS, 20)])  # fmt: skip
@pytest.mark.parametrize(("observer", "illuminant", "x", "z", "tolerance"), WHITE)
def test_white_points(method, interval, observer, illuminant, x, z, tolerance):
    """E308 check sums; illuminant tables with a step of 5 nm move C by 0.06 and D65 by 0.02."""
    white = weights_of(viewing(illuminant, observer, method, interval)).factors.sum(axis=0)
    assert white == pytest.approx([x, 100.0, z], abs=tolerance)


@pytest.mark.parametrize(
    ("illuminant", "observer", "xy"),
    [("D65", TWO, (0.3127, 0.3290)), ("D65", TEN, (0.31382, 0.33100)),
     ("A", TWO, (0.44758, 0.40745)), ("C", TWO, (0.31006, 0.31616))],
)  # fmt: skip
def test_white_chromaticities(illuminant, observer, xy):
    """CIE 15, within 1e-4."""
    white = weights_of(viewing(illuminant, observer)).factors.sum(axis=0)
    assert white[:2] / white.sum() == pytest.approx(xy, abs=1e-4)


def test_the_sample_by_practice_e308():
    """A, 2 degree, 5 nm: 14.46372173 10.85832502 2.04664734; cut to 400-700 nm, end values.

    The published numbers carry the illuminant beyond its table to 830 nm, which moves X by 6e-6.
    """
    whole = tristimulus(one(SAMPLE_T, SAMPLE_NM), viewing("A")).xyz[0]
    assert whole == pytest.approx([14.46372173, 10.85832502, 2.04664734], abs=7e-6)
    inner = (SAMPLE_NM >= 400) & (SAMPLE_NM <= 700)
    cut = one(SAMPLE_T[inner], SAMPLE_NM[inner])
    filled = tristimulus(cut, viewing("A", fill=Fill("end value", 2.0))).xyz[0]
    assert filled == pytest.approx([14.54025742, 10.88576251, 2.04950226], abs=7e-6)


def test_the_interval_moves_the_sample():
    """Y under A: 10.858245 at 1 nm, 10.858323 at 5 nm, 10.863502 at 10 nm, within 1e-5.

    The sample is brought to 1 nm as its source does, with the interpolation of colour-science.
    """
    library = library_of_colour()
    known = library.SpectralDistribution(SAMPLE_T, SAMPLE_NM)
    fine_nm = np.arange(340.0, 831.0)
    fine = known.interpolate(library.SpectralShape(340, 830, 1)).values
    found = [
        colour_number(one(fine, fine_nm), viewing("A", interval=1), "Y").value[0],
        colour_number(one(SAMPLE_T, SAMPLE_NM), viewing("A"), "Y").value[0],
        colour_number(one(SAMPLE_T, SAMPLE_NM), viewing("A", TWO, FACTORS, 10), "Y").value[0],
    ]
    assert found == pytest.approx([10.858245, 10.858323, 10.863502], abs=1e-5)
    twos = tristimulus(one(fine, fine_nm), viewing("C", TEN, interval=1)).xyz[0]
    assert twos == pytest.approx([10.77002699, 9.44876636, 6.62415290], abs=2e-3)


PAIRS = rows_of("ciede2000_pairs.csv")


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"{pair['L1']} {pair['a1']} {pair['b1']}")
def test_ciede2000_of_the_34_pairs(pair):
    """Table 1 to its four decimals, the pair included that the source leaves out."""
    assert len(PAIRS) == 34
    first, second = (tuple(float(pair[f"{c}{n}"]) for c in "Lab") for n in (1, 2))
    found = difference(first, np.array([second]), "CIE 2000")
    assert found == pytest.approx([float(pair["dE00"])], abs=5e-5)


def test_yellowness_of_the_worked_example():
    """ASTM E313, X Y Z = 95 100 105: 4.34 under D65 with 1.2985 and 1.1335, 10.09 under C."""
    xyz = np.array([[95.0, 100.0, 105.0]])
    white = weights_of(viewing("D65")).factors.sum(axis=0)
    sample = Tristimulus(xyz, white, {})
    found = number_of(sample, viewing("D65"), "yellowness ASTM E313").value
    assert found == pytest.approx([4.34], abs=5e-3)
    under_c = number_of(sample, viewing("C"), "yellowness ASTM E313").value
    assert under_c == pytest.approx([1.2769 * 95 - 1.0592 * 105])


def test_whiteness_of_the_worked_example():
    """CIE 15 in colour-science: x y = 0.3167 0.3334, white 0.3139 0.3311: W 93.85, T -1.305."""
    sample = np.array([[0.3167 / 0.3334 * 100, 100, (1 - 0.3167 - 0.3334) / 0.3334 * 100]])
    white = np.array([0.3139, 0.3311, 1 - 0.3139 - 0.3311])
    known = Tristimulus(sample, white, {})
    found = [
        number_of(known, viewing("D65"), f"{name} ASTM E313").value[0]
        for name in ("whiteness", "tint")
    ]
    assert found == pytest.approx([93.85, -1.305], abs=5e-3)


@pytest.mark.parametrize(
    ("illuminant", "xyz", "lab"),
    [
        ("D65", (44.376, 44.1946, 20.5798), (72.3584, 7.0386, 37.5634)),
        ("A", (59.1868, 48.0578, 7.2928), (74.8614, 15.2175, 38.7386)),
    ],
)
def test_colour_of_a_ramp(illuminant, xyz, lab):
    """T = (x - 380)/400 every 5 nm from 380 to 780 nm; computed from CIE 15 definitions."""
    x = np.arange(380.0, 781.0, 5.0)
    ramp, seen = one((x - 380) / 400, x), viewing(illuminant, low=380.0)
    assert tristimulus(ramp, seen).xyz[0] == pytest.approx(xyz, abs=5e-4)
    found = [colour_number(ramp, seen, name).value[0] for name in ("L*", "a*", "b*")]
    assert found == pytest.approx(lab, abs=5e-4)


def test_lightness_of_fixed_points():
    """ISO/CIE 11664-4: Y/Yn 0.184187 gives L* 50; below (6/29)^3 it is 903.2963 Y/Yn."""
    x = np.arange(360.0, 781.0, 5.0)
    for level, lightness in [(0.184187, 50.0), (0.005, 903.2963 * 0.005), (1.0, 100.0)]:
        found = colour_number(one(np.full(x.size, level), x), viewing("D65"), "L*")
        assert found.value == pytest.approx([lightness], abs=1e-4)


def test_a_correction_in_place_is_not_the_published_rule():
    """The three-point bandpass rule (Stearns and Stearns 1988, from memory) takes raw neighbours.

    The library corrects in place, so that its inner values differ; nothing here uses it.
    """
    library = library_of_colour()
    raw = np.array([0.0651, 0.0705, 0.0772, 0.0870, 0.1128, 0.1360])
    a = 0.083
    inner = -a * raw[:-2] + (1 + 2 * a) * raw[1:-1] - a * raw[2:]
    assert inner == pytest.approx([0.0703921, 0.0769427, 0.0856720, 0.1130158], abs=5e-8)
    grid = np.arange(400.0, 506.0, 20.0)
    given = library.SpectralDistribution(raw, grid)
    theirs = library.colorimetry.bandpass_correction_Stearns1988(given).values
    assert np.abs(theirs[1:-1] - inner).max() > 1e-6
    seen = viewing("E", TWO, FACTORS, 20, 400.0, 500.0)
    plain = (weights_of(seen).factors * raw[:, np.newaxis]).sum(axis=0)
    assert tristimulus(one(raw, grid), seen).xyz[0] == pytest.approx(plain, rel=1e-12)
