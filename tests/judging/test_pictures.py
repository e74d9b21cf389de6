"""The picture of a verdict says what the verdict says: in numbers, in words and as SVG."""

from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speclake.judging import Conditions, judge
from speclake.judging.conditions import Bandwidth
from speclake.judging.pictures import picture_of, svg_of
from speclake.judging.pictures.svg import ticks
from speclake.specs.model import Specification
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Axis, SpectrumSet

SVG = "{http://www.w3.org/2000/svg}"
KNOWN = Conditions(smoothed=False, angle_deg=0.0, bandwidths=(Bandwidth(200.0, 1200.0, 1.0),))
NM = np.arange(400.0, 701.0)
PASSBAND = 90.0 / (1.0 + np.exp(-(NM - 520.0) / 5.0))
"""An invented edge: 45 %T at 520 nm."""

BAND = {"unit": "%T", "band": [560, 640]}
EDGE = {
    "what": "cut-on", "unit": "nm", "of": "%T", "band": [450, 600], "level": 45,
    "relative_to": "nothing", "largest_interval": 2, "largest_bandwidth_nm": 2,
}  # fmt: skip


def drawn(values=PASSBAND, positions=NM, **requirement):
    """Verdict on one invented spectrum, and its picture."""
    spec = Specification.model_validate({"name": "S", "requirement": [{"id": "r"} | requirement]})
    axis = Axis(np.asarray(positions, float), "nm", "air")
    spectra = SpectrumSet(axis, np.asarray(values, float)[None], "%T", ("a",))
    (verdict,) = judge(spectra, spec, [KNOWN])
    return verdict, picture_of(verdict, spec.requirements[0], spectra)


def parsed(picture):
    return ElementTree.fromstring(svg_of(picture))


def test_a_minimum_has_its_point_its_bar_and_its_limit_on_the_curve():
    dip = np.where(NM == 600, 88.0, 90.0)
    verdict, picture = drawn(dip, what="minimum", at_least="85.0", uncertainty=0.5, **BAND)
    assert verdict.outcome is Outcome.PASS
    assert picture.windows == ((560.0, 640.0),)
    assert (picture.found.position, picture.found.value) == ((600.0, 600.0), 88.0)
    assert picture.found.reach == (87.5, 88.5)
    (limit,) = picture.limits
    assert limit.points == ((560.0, 85.0), (640.0, 85.0))
    assert (limit.side, limit.is_pointwise, limit.guard) == (-1, True, (84.5, 85.5))
    assert limit.text == "at least 85.0 %T"
    assert picture.scale.legend == "bar: value ± U, k = 2; dotted: guard band"


@pytest.mark.parametrize(
    ("rule", "lower", "upper"),
    [("guarded acceptance", (85.0, 85.5), (94.5, 95.0)),
     ("guarded rejection", (84.5, 85.0), (95.0, 95.5)),
     ("non-binary", (84.5, 85.5), (94.5, 95.5))],
)  # fmt: skip
def test_a_guard_band_lies_on_the_side_of_the_limit_where_the_rule_has_it(rule, lower, upper):
    """JCGM 106:2012, 8.3: acceptance is guarded inside the limits, rejection outside of them."""
    guard = {} if rule == "non-binary" else {"guard_times": 1, "guard_of": "U"}
    _, picture = drawn(
        what="mean", at_least="85.0", at_most="95.0", uncertainty=0.5, rule=rule, **guard, **BAND
    )
    assert [each.guard for each in picture.limits] == [lower, upper]
    assert [each.guard for each in picture.scale.limits] == [lower, upper]


def test_a_mean_is_a_line_over_the_window_and_its_limit_no_limit_on_points():
    _, picture = drawn(what="mean", at_least="85.0", at_most="90", **BAND)
    assert picture.found.position == (560.0, 640.0)
    assert [each.is_pointwise for each in picture.limits] == [False, False]
    assert [each.side for each in picture.limits] == [-1, 1]
    assert all(each.guard is None for each in picture.limits)


def test_an_edge_has_upright_limits_and_lies_on_the_curve():
    verdict, picture = drawn(at_least="515", at_most="519.5", uncertainty=0.25, **EDGE)
    assert verdict.outcome is Outcome.FAIL
    assert [(each.along, each.points[0][0], each.side) for each in picture.limits] == [
        ("position", 515.0, -1), ("position", 519.5, 1),
    ]  # fmt: skip
    found = picture.found
    assert (found.along, found.position) == ("position", (520.0, 520.0))
    assert found.value == pytest.approx(45.0)
    assert found.reach == (519.75, 520.25)
    assert picture.levels == (45.0,)


def test_limits_in_energy_turn_round_on_an_axis_in_nm():
    """1240 nm eV: from 2.3 eV to 2.5 eV is 539 nm to 496 nm."""
    edge = EDGE | {"unit": "eV", "axis_unit": "eV", "band": [2.0, 2.8]}
    verdict, picture = drawn(at_least="2.3", at_most="2.5", **edge | {"largest_interval": 0.1})
    assert verdict.outcome is Outcome.PASS
    above, below = picture.limits
    assert above.text == "at least 2.3 eV"
    assert above.points[0][0] == pytest.approx(539.0, abs=0.2)
    assert (above.side, below.side) == (1, -1)
    assert below.points[0][0] < picture.found.position[0] < above.points[0][0]


def test_a_density_is_drawn_as_a_density_with_gaps_where_there_is_none():
    blocked = np.where(NM < 500, 0.01, PASSBAND)
    blocked[10] = -0.001
    verdict, picture = drawn(
        blocked, what="optical density", of="%T", unit="OD", definition="minimum",
        band=[430, 480], largest_interval=2, at_least="3.5",
    )  # fmt: skip
    assert verdict.outcome is Outcome.PASS
    assert picture.value_label.startswith("optical density")
    assert picture.limits[0].points == ((430.0, 3.5), (480.0, 3.5))
    assert picture.found.value == pytest.approx(4.0)


def test_a_mask_is_drawn_as_its_curves_and_marks_the_point_nearest_to_it():
    verdict, picture = drawn(
        what="distance to mask", of="%T", unit="%T", band=[400, 650], at_least="0",
        lower=[[560, 85], [650, 89]], upper=[[400, 5], [490, 5]],
    )  # fmt: skip
    assert verdict.outcome is Outcome.PASS
    lower, upper = picture.limits
    assert (lower.points, lower.side) == (((560.0, 85.0), (650.0, 89.0)), -1)
    assert (upper.points, upper.side) == (((400.0, 5.0), (490.0, 5.0)), 1)
    assert picture.found.position == (verdict.at, verdict.at)


def test_what_cannot_be_read_off_the_curve_has_no_limit_there_and_one_on_the_scale():
    _, picture = drawn(
        what="ripple", of="%T", unit="%T", definition="peak to valley", band=[560, 640], at_most="3"
    )
    assert picture.limits == ()
    assert picture.found is None
    assert [(each.value, each.side) for each in picture.scale.limits] == [(3.0, 1)]
    assert "none that can be read off the curve" in picture.words


def test_weights_show_the_range_over_which_there_are_any():
    _, picture = drawn(
        np.full(81, 70.0), np.arange(380.0, 781.0, 5.0), what="luminous mean", unit="%T",
        method="ISO 9050", edition="2003", integration="table grid", largest_interval=5,
        weights="CIE illuminant D65 times V(lambda), 5 nm", at_least="60",
    )  # fmt: skip
    assert picture.windows == ((380.0, 780.0),)
    assert picture.found.position == (380.0, 780.0)


def test_what_is_not_measurable_shows_window_and_spectrum_and_no_number():
    verdict, picture = drawn(what="minimum", unit="%T", band=[750, 800], at_least="85")
    assert verdict.outcome is Outcome.NOT_MEASURABLE
    assert picture.found is None
    assert picture.scale.value is None
    assert picture.across[0] < 400 and picture.across[1] > 800
    assert "no value was found" in picture.words
    assert parsed(picture).findall(f".//{SVG}circle") == []


def test_a_number_after_smoothing_is_drawn_with_the_curve_it_was_taken_from():
    noisy = PASSBAND + np.where(np.arange(NM.size) % 2, 0.5, -0.5)
    _, picture = drawn(
        noisy, what="minimum", at_least="85", after_smoothing={"window": 20, "degree": 2}, **BAND
    )
    chief, faint = picture.lines
    assert (chief.is_chief, faint.is_chief) == (True, False)
    inside = (chief.positions > 580) & (chief.positions < 620)
    assert np.ptp(chief.values[inside]) < 0.2 < np.ptp(faint.values[inside])
    assert "as exported it is the faint line" in picture.words


def test_other_spectra_that_the_number_draws_on_are_faint_lines_on_the_same_axis():
    verdict, alone = drawn(what="minimum", at_least="85", **BAND)
    spec = Specification.model_validate(
        {"name": "S", "requirement": [{"id": "r", "what": "minimum", "at_least": "85"} | BAND]}
    )
    spectra = SpectrumSet(Axis(NM, "nm", "air"), PASSBAND[None], "%T", ("a",))
    ev = np.linspace(1.7, 3.1, 50)
    others = [
        SpectrumSet(Axis(ev, "eV"), np.linspace(0.2, 0.9, 50)[None], "T", ("b",)),
        SpectrumSet(Axis(NM, "nm", "air"), PASSBAND[None], "%R", ("c",)),
    ]
    picture = picture_of(verdict, spec.requirements[0], spectra, others)
    chief, beside = picture.lines
    assert (chief.what, beside.what) == ("judged", "beside")
    assert (np.diff(beside.positions) > 0).all()
    assert beside.positions[0] < 560 and beside.positions[-1] > 640
    assert (np.diff(beside.values) < 0).all()
    assert 20 < beside.values.min() < beside.values.max() < 90
    assert picture.up == alone.up
    assert "draws on are faint lines" in picture.words


def test_a_verdict_is_not_drawn_with_another_requirement():
    verdict, _ = drawn(what="minimum", at_least="85", **BAND)
    spec = Specification.model_validate(
        {"name": "S", "requirement": [{"id": "other", "what": "minimum", "at_least": "85"} | BAND]}
    )
    spectra = SpectrumSet(Axis(NM, "nm", "air"), PASSBAND[None], "%T", ("a",))
    with pytest.raises(ValueError, match="requirement 'r' expected"):
        picture_of(verdict, spec.requirements[0], spectra)


level = st.floats(-1.0, 120.0).map(lambda each: round(each, 3))


@given(values=st.lists(level, min_size=5, max_size=5), limit=level, what=st.sampled_from(
    ["minimum", "maximum", "mean"]), side=st.sampled_from(["at_least", "at_most"]),
)  # fmt: skip
def test_the_dot_lies_on_the_hatched_side_exactly_if_the_verdict_fails(values, limit, what, side):
    """Whatever the numbers: on the curve and on the scale, the picture agrees with the verdict."""
    verdict, picture = drawn(
        values, [500, 501, 502, 503, 504], what=what, unit="%T", band=[500, 504],
        **{side: f"{limit:.3f}"},
    )  # fmt: skip
    (mark,), (on_scale,) = picture.limits, picture.scale.limits
    fails = verdict.outcome is Outcome.FAIL
    assert (mark.side * (picture.found.value - mark.points[0][1]) > 0) == fails
    assert (on_scale.side * (picture.scale.value - on_scale.value) > 0) == fails
    low, high = picture.scale.ends
    assert low < min(verdict.value, limit) <= max(verdict.value, limit) < high
    bottom, top = picture.up
    assert bottom < min(verdict.value, limit) <= max(verdict.value, limit) < top


def test_the_drawing_stands_by_itself_and_names_itself_for_who_cannot_see_it():
    _, picture = drawn(what="minimum", at_least="85.0", uncertainty=0.5, **BAND)
    root = parsed(picture)
    title, words = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert root.get("role") == "img"
    assert root.get("aria-labelledby").split() == [title.get("id"), words.get("id")]
    assert title.text == "minimum transmittance from 560 nm to 640 nm, at least 85.0 %T"
    assert words.text == picture.words
    assert "found 89.9" in words.text
    text = svg_of(picture)
    assert "<script" not in text and "http" not in text.replace("http://www.w3.org/2000/svg", "")


def hatched(root, name):
    return [
        each for kind in ("polygon", "rect") for each in root.iter(f"{SVG}{kind}")
        if each.get("fill") == f"url(#{name}-hatch)"
    ]  # fmt: skip


def test_the_hatch_lies_below_a_lower_limit_and_above_an_upper_one():
    for key, value, sign in (("at_least", "85.0", 1), ("at_most", "95.0", -1)):
        _, picture = drawn(what="minimum", **BAND, **{key: value})
        root = parsed(picture)
        strip, on_scale = hatched(root, picture.name)
        (line,) = root.iter(f"{SVG}polyline")
        height = float(line.get("points").split()[0].split(",")[1])
        far = float(strip.get("points").split()[-1].split(",")[1])
        assert (far - height) * sign > 0  # down on the paper is larger
        dot = [float(each.get("cx")) for each in root.iter(f"{SVG}circle")][-1]
        start = float(on_scale.get("x"))
        stop = start + float(on_scale.get("width"))
        assert not start <= dot <= stop


def test_pictures_of_two_verdicts_share_no_name():
    _, one = drawn(what="minimum", at_least="85.0", **BAND)
    _, other = drawn(what="minimum", at_least="86.0", **BAND)
    assert one.name != other.name
    assert one.name.isalnum()


def test_a_bound_is_drawn_with_an_arrow_to_where_the_value_may_lie():
    blocked = np.full(NM.size, 0.0)
    verdict, picture = drawn(
        blocked, what="optical density", of="%T", unit="OD", definition="minimum",
        band=[430, 480], largest_interval=2, at_least="1.5", floor=0.001,
    )  # fmt: skip
    assert (verdict.outcome, verdict.bound) == (Outcome.PASS, "at least")
    assert "found at least 3.00 OD" in picture.words
    drawn_text = "".join(parsed(picture).itertext())
    assert "found at least 3.00 OD" in drawn_text


@given(low=st.floats(-1e4, 1e4), size=st.floats(1e-4, 1e5))
def test_ticks_are_round_few_and_within_the_ends(low, size):
    found = ticks((low, low + size))
    assert 1 <= len(found) <= 12
    slack = 1e-6 * size
    assert all(low - slack <= number <= low + size + slack for number, _ in found)
    assert len({text for _, text in found}) == len(found)
