"""Colour through specifications: the sentence names light, observer and arithmetic."""

from typing import get_args

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.judging import Conditions, explain, judge
from speclake.quantities.colour import NUMBERS
from speclake.quantities.tristimulus import INTERVALS_NM, OBSERVERS, library_of_colour
from speclake.specs import Outcome, Specification
from speclake.specs.requirements.colour import (
    ColourNumber,
    Illuminant,
    Method,
    Observer,
    tabulated_nm,
)
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(360.0, 781.0, 5.0)
REFERENCE = {
    "reference": "[92.0, 0.0, 0.0]",
    "reference_space": '"L*a*b*"',
    "reference_illuminant": '"D65"',
    "reference_observer": '"CIE 1931 2 degree"',
}


def specification(**keys: str) -> Specification:
    said = {
        "what": '"colour"',
        "number": '"L*"',
        "of": '"%T"',
        "unit": '"units"',
        "illuminant": '"D65"',
        "observer": '"CIE 1931 2 degree"',
        "method": '"summation"',
        "interval": "5",
        "band": "[360, 780]",
        "at_least": "49.9",
    } | keys
    lines = "\n".join(f"{key} = {value}" for key, value in said.items())
    return Specification.from_toml_text(f'name = "s"\n[[requirement]]\nid = "r"\n{lines}\n', "s")


def verdict_of(spec: Specification, level: float = 18.4187, inside: slice = slice(None)):
    values = np.full((1, GRID[inside].size), level)
    (verdict,) = judge(
        SpectrumSet(Axis(GRID[inside], "nm"), values, "%T", ("m",)), spec, [Conditions()]
    )
    return verdict


def test_a_flat_grey_has_the_lightness_of_the_formula():
    """ISO/CIE 11664-4: 18.4187 % of white has L* = 50."""
    verdict = verdict_of(specification())
    assert explain(verdict) == (
        "Colour L* of transmittance, illuminant D65, CIE 1931 2 degree observer, summation every "
        "5 nm from 360 nm to 780 nm, at least 49.9 units: found 50.00 units, 0.10 units inside the "
        "limit: pass."
    )


@pytest.mark.parametrize(
    ("space", "numbers"),
    [("L*a*b*", "[60.0, 0.0, 0.0]"), ("XYZ", "[26.7294, 28.1233, 30.6250]")],
)
def test_a_difference_to_a_reference_of_either_kind(space, numbers):
    """L* 60 has Y 28.1233; a grey of L* 50 is 10 away (delta E ab)."""
    keys = REFERENCE | {"reference": numbers, "reference_space": f'"{space}"'}
    spec = specification(number='"delta E ab"', **keys)
    verdict = verdict_of(spec)
    assert verdict.value == pytest.approx(10.0, abs=0.02)
    assert f"to {space} {numbers[1:3]}" in explain(verdict)


def test_units_go_with_the_number():
    assert verdict_of(
        specification(number='"excitation purity"', unit='"%"')
    ).value == pytest.approx(0)
    hue = verdict_of(specification(number='"h ab"', unit='"°"'))
    assert hue.outcome is Outcome.NOT_MEASURABLE
    assert "neutral" in hue.reason


def test_missing_ends_are_filled_only_where_the_specification_says_so():
    inner = slice(8, 69)  # 400 to 700 nm
    assert "allows no fill" in verdict_of(specification(), inside=inner).reason
    filled = verdict_of(specification(fill='"end value"', fill_up_to="3"), inside=inner)
    assert filled.value == pytest.approx(50.0, abs=1e-4)


def test_names_and_ranges_are_those_of_the_library():
    library = library_of_colour()
    assert set(get_args(ColourNumber)) == set(NUMBERS)
    assert set(get_args(Observer)) == set(OBSERVERS)
    assert set(get_args(Method)) == set(INTERVALS_NM)
    for name in get_args(Illuminant):
        low, high = tabulated_nm(name)
        light = library.SDS_ILLUMINANTS[name].wavelengths
        assert (low, high) == (max(360.0, light[0]), min(830.0, light[-1])), name


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"interval": "10"}, "interval = 1 or 5"),
        ({"method": '"ASTM E2022 weighting factors"'}, "interval = 10 or 20"),
        ({"method": '"ASTM E2022 weighting factors"', "interval": "20", "band": "[400, 440]"},
         "at least three intervals"),
        ({"band": "[360, 785]"}, "where D65 is tabulated"),
        ({"illuminant": '"FL2"'}, "380 to 780 nm"),
        ({"band": "[362, 782]"}, "where D65 is tabulated"),
        ({"band": "[362, 777]"}, "whole 5 nm"),
        ({"unit": '"nm"'}, "unit = one of units"),
        ({"number": '"whiteness ASTM E313"', "illuminant": '"A"'}, "illuminant D65"),
        ({"number": '"delta E 2000"'}, "with a colour difference"),
        (REFERENCE, "with a colour difference"),
        (REFERENCE | {"number": '"delta E ab"', "illuminant": '"A"'}, "under the illuminant"),
        ({"largest_interval": "2"}, "no largest_interval"),
        ({"of": '"A"'}, "of"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_refused(keys, said):
    with pytest.raises(BadSettings) as caught:
        specification(**keys)
    assert said in str(caught.value)
