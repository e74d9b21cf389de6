"""What a requirement may say of several measurements, and what is refused."""

import pytest

from speclake.errors import BadSettings
from speclake.specs import Specification

REQUIREMENT = """
name = "mirror"
[[requirement]]
id = "a"
what = "mean"
unit = "{unit}"
band = [400, 700]
at_most = "0.5"
{more}
[requirement.drawn_from]
{drawn}
"""
JOINED = 'how = "joined segments"\nsegments = ["UV", "VIS"]\nseams = [350]\nlargest_step = 0.3'


def read(drawn, unit="%R", more=""):
    text = REQUIREMENT.format(unit=unit, drawn=drawn, more=more)
    return Specification.from_toml_text(text, "mirror.toml")


@pytest.mark.parametrize(
    ("drawn", "unit", "said", "roles"),
    [
        ('how = "mean of s and p"', "%R", "of the mean of s and p", ["s scan", "p scan"]),
        (
            'how = "mean of s and p"\nresampling = "linear between points"\nlargest_interval = 2',
            "%R",
            "resampled linear between points at most 2 apart",
            ["s scan", "p scan"],
        ),
        (
            'how = "100 - T - R"',
            "%A+S",
            "mean absorptance plus scatter from 400 nm to 700 nm as 100 - T - R",
            ["transmittance scan", "reflectance scan"],
        ),
        (
            JOINED,
            "%T",
            "of the segments UV and VIS joined at 350, step at most 0.3",
            ["scan of segment UV", "scan of segment VIS"],
        ),
    ],
)
def test_a_requirement_says_what_it_draws_on(drawn, unit, said, roles):
    specification = read(drawn, unit)
    (requirement,) = specification.requirements
    assert said in requirement.description
    assert [role.name for role in requirement.roles] == roles
    assert Specification.from_json(specification.to_json()) == specification


@pytest.mark.parametrize(
    ("drawn", "unit", "more", "expected"),
    [
        ('how = "mean of s and p"', "%A+S", "", '"100 - T - R" with %A+S'),
        ('how = "100 - T - R"', "%T", "", 'unit or of = "%A+S"'),
        ('how = "mean of s and p"', "%R", 'polarisation = "s"', "no polarisation"),
        (JOINED, "%R", 'segment = "UV"', "no segment"),
        (JOINED.replace("[350]", "[350, 400]"), "%R", "", "one position between each two"),
        (JOINED.replace('"VIS"', '"uv "'), "%R", "", "segments that differ"),
        ('how = "mean of s and p"\nresampling = "linear between points"', "%R", "", "together"),
        ('how = "mean of s and p"\nlargest_interval = 2', "%R", "", "together"),
        ('how = "sum of s and p"', "%R", "", "mean of s and p"),
    ],
)
def test_what_contradicts_itself_is_refused(drawn, unit, more, expected):
    with pytest.raises(BadSettings) as refused:
        read(drawn, unit, more)
    assert expected in str(refused.value)


def test_absorptance_and_scatter_of_one_scan_is_refused():
    text = REQUIREMENT.format(unit="%A+S", drawn="", more="")
    with pytest.raises(BadSettings, match=r"100 - T - R"):
        Specification.from_toml_text(text.replace("[requirement.drawn_from]", ""), "mirror.toml")


def test_how_the_spectrum_is_made_is_part_of_the_version():
    assert read(JOINED).version != read(JOINED.replace("0.3", "0.2")).version
