"""Specifications as read, kept and named by their content."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speclake.errors import BadSettings
from speclake.specs import BandRequirement, Specification
from speclake.specs.rounding import limit_text

WHOLE = """\
name = "window-7"
products = ["window-7"]
approved_on = 2026-03-01

[needs]
sites = 3
sides = ["front", "back"]
angles_deg = [8, 45]

[[requirement]]
id = "T mean"
what = "mean"
unit = "%T"
band = [400, 700]
at_least = 92.0
decision = "rounded"

[[requirement]]
id = "R maximum"
what = "maximum"
unit = "%R"
band = [400.0, 700.5]
at_most = 0.50
side = "Front"
sites = [1, "a"]
needs_correction = "absolute"
uncertainty = 0.05
"""


def read(text=WHOLE):
    return Specification.from_toml_text(text, "window.toml")


def refused(text):
    with pytest.raises(BadSettings) as caught:
        read(text)
    return str(caught.value)


def test_limits_keep_the_digits_that_were_written():
    mean, maximum = read().requirements
    assert (mean.at_least, maximum.at_most) == ("92.0", "0.50")
    assert maximum.sites == ("1", "a")
    assert maximum.needs_correction == ("absolute",)


def test_json_gives_the_same_specification_back_limits_and_all():
    found = read()
    again = Specification.from_json(found.to_json())
    assert again == found
    assert again.to_json() == found.to_json()
    assert again.version == found.version
    assert again.requirements[1].at_most == "0.50"


def test_the_version_is_the_content_not_the_layout():
    version = read().version
    assert read("# a comment\n" + WHOLE.replace("[400, 700]", "[ 400.0,700 ]")).version == version
    assert read(WHOLE.replace('decision = "rounded"', "")).version != version
    assert read(WHOLE.replace("at_least = 92.0", "at_least = 92.00")).version != version
    assert read(WHOLE + 'smoothing = "refused"\n').version == version


def test_a_specification_read_from_a_file_names_it_in_errors(tmp_path):
    path = tmp_path / "window.toml"
    path.write_text(WHOLE, "utf-8")
    assert Specification.from_toml(path) == read()
    path.write_text(WHOLE.replace("at_most = 0.50", "at_mots = 0.50"), "utf-8")
    with pytest.raises(BadSettings, match=r"window\.toml, line 23, requirement\.1\.at_mots"):
        Specification.from_toml(path)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (("at_least = 92.0", "at_leest = 92.0"), "line 15, requirement.0.at_leest: found the key"),
        (("at_least = 92.0", ""), "allowed is at_least, at_most or both"),
        (("at_least = 92.0", "at_least = nan"), "line 15, requirement.0.at_least: found NaN"),
        (("at_least = 92.0", "at_least = true"), "line 15, requirement.0.at_least: found True"),
        (("at_least = 92.0", 'at_least = "92 %"'), "a decimal number such as 92.0"),
        (("at_least = 92.0", "at_least = 92.0\nat_most = 91.9"), "not above at_most"),
        (("at_least = 92.0", "at_least = 92.0\nat_most = 93.00"), "with the same last digit"),
        (('what = "mean"', 'what = "average"'), "one of 'minimum', 'maximum', 'mean', 'value'"),
        (('what = "mean"', 'what = "value"'), "at = a position, and no band"),
        (("band = [400, 700]", "at = 500"), "band = [from, to], and no at"),
        (("band = [400, 700]", "band = [700, 400]"), "the lower position first"),
        (("band = [400, 700]", "band = [0, 400]"), "greater than 0"),
        (('unit = "%T"', 'unit = "%T"\nquantity = "reflectance"'), 'quantity = "transmittance"'),
        (('unit = "%T"', 'unit = "percent"'), "'%T', 'T', '%R', 'R', 'A', 'log(1/R)' or '%A+S'"),
        (('unit = "%T"', 'unit = "%T"\naxis_unit = "eV"\nmedium = "air"'), "belongs to vacuum"),
        (('id = "R maximum"', 'id = "T mean"'), "'T mean' stands twice"),
        (('side = "Front"', 'side = "edge"'), "needs.sides with 'edge'"),
        (('side = "Front"', "angle_deg = 30"), "needs.angles_deg with 30"),
        (("uncertainty = 0.05", "uncertainty = 0"), "greater than 0"),
        (('needs_correction = "absolute"', 'needs_correction = "good"'), "'raw ratio'"),
        (("sites = 3", 'sites = ["2"]'), "needs.sites with '1'"),
        (("approved_on = 2026-03-01", "effective_from = 2026-03-02\neffective_until = 2026-03-01"),
         "not after effective_until"),
    ],
)  # fmt: skip
def test_what_a_specification_cannot_say_is_refused_with_its_place(wrong, said):
    assert WHOLE.count(wrong[0]) == 1
    message = refused(WHOLE.replace(*wrong))
    assert message.startswith("window.toml")
    assert said in message


def test_a_specification_needs_a_requirement():
    assert "requirement: found nothing" in refused('name = "empty"')
    assert "at least one [[requirement]]" in refused('name = "empty"\nrequirement = []')


def test_a_float_has_lost_its_digits_and_is_no_limit():
    with pytest.raises(ValueError, match="in quotes"):
        limit_text(92.0)
    assert limit_text(Decimal("92.00")) == "92.00"
    assert limit_text(92) == "92"


@pytest.mark.parametrize("text", ["", "x", "nan", "inf", "1,5", "0x10", "1e999", "123456789012345"])
def test_what_is_no_limit_is_refused(text):
    with pytest.raises(ValueError, match="number"):
        limit_text(text)


@settings(deadline=None)
@given(
    digits=st.integers(-(10**9), 10**9),
    places=st.integers(0, 6),
    uncertainty=st.none() | st.floats(1e-6, 5),
    low=st.floats(200, 900),
    width=st.floats(1e-3, 500),
)
def test_any_requirement_survives_json_to_the_last_digit(digits, places, uncertainty, low, width):
    text = str(Decimal(digits).scaleb(-places))
    requirement = BandRequirement(
        id="r",
        what="minimum",
        unit="T",
        band=(low, low + width),
        at_least=text,
        uncertainty=uncertainty,
    )
    spec = Specification(name="s", requirement=(requirement,))
    again = Specification.from_json(spec.to_json())
    assert again == spec
    assert again.requirements[0].at_least == text
    assert again.requirements[0].band == (low, low + width)
    assert again.version == spec.version
