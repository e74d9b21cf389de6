"""Spectra made of several measurements, judged: pure functions of sets and conditions."""

import numpy as np
import pytest

from speclake.judging.conditions import Bandwidth, Conditions
from speclake.judging.several import Drawn, judge_lacking, judge_made
from speclake.specs import Outcome, Specification
from speclake.spectrum import Axis, SpectrumSet

GRID = np.arange(400.0, 411.0)
SPEC = """
name = "mirror"
{top}
[[requirement]]
id = "a"
what = "{what}"
unit = "{unit}"
band = [{band}]
at_most = "50"
{more}
[requirement.drawn_from]
{drawn}
"""


def spec_of(drawn, unit="%R", more="", what="mean", band="402, 408", top=""):
    text = SPEC.format(drawn=drawn, unit=unit, more=more, what=what, band=band, top=top)
    found = Specification.from_toml_text(text, "mirror.toml")
    return found, found.requirements[0]


def drawn(values, unit="%R", grid=GRID, medium=None, axis_unit="nm", **conditions):
    """Flat spectra of these values."""
    rows = np.repeat(np.asarray(values, float).reshape(-1, 1), grid.size, axis=1)
    keys = tuple(f"k{row}" for row in range(len(rows)))
    spectra = SpectrumSet(Axis(grid, axis_unit, medium), rows, unit, keys)
    return Drawn(spectra, [Conditions(**conditions)] * len(rows))


S_AND_P = 'how = "mean of s and p"'


def test_the_mean_of_s_and_p_is_judged_in_the_unit_of_the_requirement():
    spec, asked = spec_of(S_AND_P)
    found = judge_made(spec, asked, [drawn([40.0, 60.0]), drawn([0.20, 0.41], "R")])
    assert [v.value for v in found.verdicts] == [30.0, 50.5]
    assert [v.outcome for v in found.verdicts] == [Outcome.PASS, Outcome.FAIL]
    assert found.made.values[:, 0].tolist() == [30.0, 50.5]


def test_the_mean_is_one_of_light_and_not_of_logarithms():
    """log(1/R) of 1 and 2 are R of 10 % and 1 %: their mean is 5.5 %."""
    spec, asked = spec_of(S_AND_P)
    found = judge_made(spec, asked, [drawn([1.0], "log(1/R)"), drawn([2.0], "log(1/R)")])
    assert found.verdicts[0].value == pytest.approx(5.5, abs=1e-12)


def test_scans_on_two_axes_are_combined_only_where_the_requirement_says_how():
    s, p = drawn([40.0]), drawn([60.0], grid=np.arange(400.0, 411.0, 2.0))
    spec, asked = spec_of(S_AND_P)
    found = judge_made(spec, asked, [s, p])
    assert found.made is None
    assert found.verdicts[0].outcome is Outcome.NOT_MEASURABLE
    assert found.verdicts[0].reason == (
        "the p scan has 6 points from 400 to 410 nm, the s scan 11 points from 400 to 410 nm; the "
        "requirement allows no resampling"
    )
    line = S_AND_P + '\nresampling = "linear between points"\nlargest_interval = '
    spec, asked = spec_of(line + "2")
    assert judge_made(spec, asked, [s, p]).verdicts[0].value == 50.0
    spec, asked = spec_of(line + "1")
    found = judge_made(spec, asked, [s, p]).verdicts[0]
    assert found.outcome is Outcome.NOT_MEASURABLE


def test_what_the_requirement_asks_of_a_scan_it_asks_of_each():
    spec, asked = spec_of(S_AND_P, more="largest_bandwidth_nm = 2")
    fine, coarse = ((Bandwidth(400, 410, width),) for width in (1.0, 5.0))
    found = judge_made(
        spec, asked, [drawn([40.0], bandwidths=fine), drawn([60.0], bandwidths=coarse)]
    )
    assert found.verdicts[0].reason == (
        "p scan: the bandwidth of the scan is 5 nm; the largest that the requirement allows is 2 nm"
    )
    spec, asked = spec_of(
        S_AND_P,
        more='instrument_class = "fine"',
        top='[instrument_classes]\nfine = ["X"]\ncoarse = ["Y"]',
    )
    found = judge_made(spec, asked, [drawn([40.0], instrument="X"), drawn([60.0], instrument="Y")])
    assert found.verdicts[0].outcome is Outcome.NOT_MEASURABLE
    assert "p scan was measured in another way" in found.verdicts[0].reason


def test_s_and_p_combined_are_unpolarised_at_any_angle():
    spec, asked = spec_of(S_AND_P, more="angle_deg = 45")
    pair = [
        drawn([value], angle_deg=45.0, polarisation=each)
        for value, each in ((40.0, "s"), (60.0, "p"))
    ]
    assert judge_made(spec, asked, pair).verdicts[0].value == 50.0


def test_a_lead_of_another_angle_gets_no_verdict():
    spec, asked = spec_of(S_AND_P, more="angle_deg = 45")
    pair = [drawn([40.0], angle_deg=30.0), drawn([60.0], angle_deg=30.0)]
    found = judge_made(spec, asked, pair)
    assert (found.verdicts, found.made) == ((), None)


def test_a_lead_without_its_partner_is_not_measurable_for_that_reason():
    spec, asked = spec_of(S_AND_P, more="angle_deg = 45")
    found = judge_lacking(
        spec,
        asked,
        {
            "a": (Conditions(angle_deg=45.0, polarisation="s"), "no p scan of site 3 yet"),
            "b": (Conditions(), "no p scan of site 4 yet"),
            "c": (Conditions(angle_deg=30.0), "no p scan of site 5 yet"),
        },
    )
    told = {v.measurement_id: (v.outcome, v.reason, v.value) for v in found.verdicts}
    assert told == {
        "a": (Outcome.NOT_MEASURABLE, "no p scan of site 3 yet", None),
        "b": (
            Outcome.NOT_MEASURABLE,
            "the angle of incidence is unknown; the requirement holds at 45°",
            None,
        ),
    }


JOINED = 'how = "joined segments"\nsegments = ["low", "high"]\nseams = [{seam}]\nlargest_step = 1'


def test_segments_that_count_the_other_way_round_than_the_requirement_are_joined_all_the_same():
    """Seams in cm-1 rise where wavelengths fall: 'low' is the long-wave segment."""
    spec, asked = spec_of(
        JOINED.format(seam="24691.358024691358"),
        what="maximum",
        band="24400, 24950",
        more='axis_unit = "cm-1"',
    )
    low = drawn([40.0], grid=np.arange(403.0, 411.0), medium="vacuum")
    high = drawn([40.5], grid=np.arange(400.0, 408.0), medium="vacuum")
    found = judge_made(spec, asked, [low, high])
    assert found.verdicts[0].reason == ""
    assert found.made.keys == ("k0",)
    assert found.made.values[0].tolist() == [40.5] * 5 + [40.0] * 6


def test_segments_in_air_and_in_vacuum_are_not_joined():
    spec, asked = spec_of(JOINED.format(seam="405"))
    found = judge_made(spec, asked, [drawn([40.0], medium="air"), drawn([40.0], medium="vacuum")])
    assert found.made is None
    assert "one unit and one medium" in found.verdicts[0].reason


def test_what_a_row_gives_does_not_depend_on_its_company():
    rng = np.random.default_rng(3)
    s, p = np.round(rng.uniform(20, 80, (2, 7)), 3)
    spec, asked = spec_of(S_AND_P)
    together = judge_made(spec, asked, [drawn(s), drawn(p)]).verdicts
    alone = [judge_made(spec, asked, [drawn(s[[i]]), drawn(p[[i]])]).verdicts[0] for i in range(7)]
    assert [v.value for v in together] == [v.value for v in alone]
    assert [v.outcome for v in together] == [v.outcome for v in alone]


@pytest.mark.parametrize(
    ("widths", "band", "reason"),
    [
        ((1.0, 5.0), "401, 404", ""),
        ((1.0, 5.0), "401, 405", "the bandwidth of the scan is 5 nm; "),
        ((5.0, 1.0), "406, 409", ""),
        ((None, 1.0), "406, 409", ""),
        ((1.0, None), "406, 409", "the bandwidth of the scan is unknown; "),
    ],
)
def test_a_segment_is_asked_for_its_bandwidth_on_its_own_stretch_only(widths, band, reason):
    spec, asked = spec_of(JOINED.format(seam="405"), band=band, more="largest_bandwidth_nm = 2")
    parts = [
        drawn([40.0], bandwidths=(Bandwidth(400, 410, width),) if width else ()) for width in widths
    ]
    (found,) = judge_made(spec, asked, parts).verdicts
    assert found.reason.startswith(reason)
    assert (found.value is None) == bool(reason)
