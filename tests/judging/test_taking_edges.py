"""Edges through specifications: the verdict has the unit of the band, a place, and a sentence."""

import numpy as np
import pytest

from speclake.errors import BadSettings
from speclake.judging import Conditions, explain, judge
from speclake.judging.conditions import Bandwidth
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(440.0, 661.0)
NARROW = Conditions(bandwidths=(Bandwidth(440, 660, 1.0),))
FILTER = np.interp(GRID, [500, 510, 590, 600], [0.0, 95.0, 95.0, 0.0])

COMMON = """
of = "%T"
band = [460, 640]
largest_interval = 1
largest_bandwidth_nm = 1
"""
REQUIREMENTS = {
    "cut-on": 'unit = "nm"\nlevel = 50\nrelative_to = "peak"\npeak = "sampled"\nat_least = 505.0',
    "cut-off": 'unit = "nm"\nlevel = 47.5\nrelative_to = "nothing"\nat_most = 595.0',
    "edge steepness": 'edge = "cut-on"\ndefinition = "slope"\nunit = "%T/nm"\nlevel = 20\n'
    'to_level = 80\nrelative_to = "nothing"\nat_least = 9.5',
    "passband width": 'unit = "nm"\nlevel = 50\nrelative_to = "peak"\npeak = "sampled"\n'
    "at_least = 90.0\nat_most = 90.0",
    "centre between crossings": 'unit = "nm"\nlevel = 10\nrelative_to = "nothing"\n'
    "at_least = 550.0\nat_most = 550.0",
    "centroid": 'unit = "nm"\nat_least = 549.9\nat_most = 550.1',
    "place of maximum": 'unit = "nm"\npeak = "sampled"\nat_most = 510',
    "value at maximum": 'unit = "%T"\npeak = "sampled"\nat_least = 95.0\nat_most = 95.0',
}


def specification(what: str, more: str, common: str = COMMON) -> Specification:
    text = f'name = "s"\n[[requirement]]\nid = "r"\nwhat = "{what}"\n{common}{more}\n'
    return Specification.from_toml_text(text, "s.toml")


def verdict_of(spec: Specification, values=FILTER, conditions: Conditions = NARROW):
    spectra = SpectrumSet(Axis(GRID, "nm"), np.array([values]), "%T", ("m",))
    (verdict,) = judge(spectra, spec, [conditions])
    return verdict


@pytest.mark.parametrize("what", REQUIREMENTS)
def test_a_filter_meets_what_its_corners_say(what):
    verdict = verdict_of(specification(what, REQUIREMENTS[what]))
    assert verdict.outcome is Outcome.PASS, explain(verdict)
    assert verdict.unit in explain(verdict)


def test_the_sentence_says_which_definition_was_meant():
    verdict = verdict_of(specification("cut-on", REQUIREMENTS["cut-on"]))
    assert explain(verdict) == (
        "Cut-on of transmittance (where it rises through 50 % of the sampled peak) from 460 nm to "
        "640 nm, at least 505.0 nm: found 505.00 nm, exactly on the limit: pass."
    )


def test_a_spectrum_without_the_edge_is_not_measurable():
    verdict = verdict_of(specification("cut-on", REQUIREMENTS["cut-on"]), np.full(GRID.size, 50.0))
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert "does not rise through" in verdict.reason


def test_a_wide_slit_is_not_measurable():
    wide = Conditions(bandwidths=(Bandwidth(440, 660, 4.0),))
    verdict = verdict_of(specification("cut-on", REQUIREMENTS["cut-on"]), conditions=wide)
    assert "bandwidth of the scan is 4 nm" in verdict.reason


@pytest.mark.parametrize(
    ("what", "more", "said"),
    [
        ("cut-on", 'unit = "%T"\nlevel = 50\nrelative_to = "nothing"\nat_least = 5', "one of nm"),
        ("cut-on", 'unit = "nm"\nlevel = 50\nrelative_to = "peak"\nat_least = 5', "parabola"),
        ("passband width", 'unit = "nm"\nlevel = 50\nat_least = 5', "relative_to"),
        ("centroid", 'unit = "nm"\nlevel = 50\nat_least = 5', "level"),
    ],
)
def test_what_a_kind_does_not_allow_is_refused(what, more, said):
    with pytest.raises(BadSettings, match=said):
        specification(what, more)
    with pytest.raises(BadSettings, match="largest_bandwidth_nm"):
        specification(what, REQUIREMENTS[what], COMMON.replace("largest_bandwidth_nm = 1", ""))
