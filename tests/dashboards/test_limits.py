"""Limits in a picture: which side is forbidden, for what, and in which unit."""

import pytest
from speclake_dashboards.cautions import OPTICAL_DENSITY, cautions
from speclake_dashboards.limits import Limit, draw_limits, limits_of
from speclake_dashboards.matching import Units

from speclake.specs.model import Specification

NM_AIR = Units("nm", "air", "%T")


def specification(**requirement):
    written = {"id": "band", "what": "minimum", "unit": "%T", "band": [500, 600], "medium": "air"}
    return Specification.model_validate({"name": "S", "requirement": [written | requirement]})


def test_a_minimum_at_least_forbids_every_point_below():
    (limit,) = limits_of([specification(at_least="90.0")], NM_AIR).limits
    assert (limit.start, limit.stop, limit.low, limit.high) == (500.0, 600.0, 90.0, None)
    assert limit.applies == "every point"
    assert limit.words == (
        "S: minimum transmittance from 500 nm to 600 nm in air, at least 90.0 %T"
    )


@pytest.mark.parametrize(
    ("what", "limit", "applies"),
    [
        ("minimum", "at_least", "every point"),
        ("minimum", "at_most", "band value"),
        ("maximum", "at_most", "every point"),
        ("maximum", "at_least", "band value"),
        ("mean", "at_least", "band value"),
        ("mean", "at_most", "band value"),
    ],
)
def test_only_limits_that_hold_for_every_point_are_drawn_as_such(what, limit, applies):
    drawable = limits_of([specification(what=what, **{limit: "50"})], NM_AIR)
    assert [each.applies for each in drawable.limits] == [applies]


def test_a_limit_turns_round_where_the_picture_is_logarithmic():
    (limit,) = limits_of([specification(at_least="1")], Units("nm", "air", "A")).limits
    assert limit.low is None
    assert limit.high == pytest.approx(2.0, abs=1e-12)


def test_a_limit_between_two_values_has_two_forbidden_sides():
    drawable = limits_of(
        [specification(what="value", band=None, at=550, at_least="40", at_most="60")], NM_AIR
    )
    assert [each.sides for each in drawable.limits] == [((40.0, -1),), ((60.0, 1),)]
    assert {each.applies for each in drawable.limits} == {"one point"}


def test_what_cannot_be_drawn_is_said_and_not_drawn():
    drawable = limits_of([specification(unit="%R", at_most="1")], NM_AIR)
    assert drawable.limits == ()
    assert "maximum" not in drawable.remarks[0]
    assert drawable.remarks[0].endswith("not drawn here, since the picture is in %T.")


def test_each_specification_has_a_hatch_of_its_own():
    drawable = limits_of([specification(at_least="9"), specification(at_least="8")], NM_AIR)
    assert [each.pattern for each in drawable.limits] == [0, 1]


def boxes(limit):
    from bokeh.plotting import figure

    picture = figure()
    draw_limits(picture, [limit], (400.0, 800.0, 0.0, 100.0))
    (sides,) = [r for r in picture.renderers if r.name == "forbidden side"]
    assert sides.glyph.hatch_pattern == "right_diagonal_line"
    data = sides.data_source.data
    return [tuple(data[key][0] for key in ("left", "right", "bottom", "top"))]


@pytest.mark.parametrize("applies", ["every point", "band value"])
def test_a_narrow_strip_on_the_forbidden_side_is_hatched(applies):
    ((left, right, bottom, top),) = boxes(Limit(500, 600, 90.0, None, applies, "w"))
    assert (left, right, top) == (500, 600, 90.0)
    assert bottom == pytest.approx(87.0)
    ((_, _, bottom, top),) = boxes(Limit(500, 600, None, 90.0, applies, "w"))
    assert bottom == 90.0
    assert top == pytest.approx(93.0)


def test_a_limit_at_one_position_is_wide_enough_to_be_seen():
    ((left, right, _, _),) = boxes(Limit(550, 550, 90.0, None, "one point", "w"))
    assert left < 550 < right


def test_means_by_readings_and_by_weights_are_drawn_over_their_stretch():
    readings = specification(what="average of readings", step=10, at_least="90")
    weighted = specification(
        what="luminous mean", band=None, medium=None, method="ISO 9050", edition="2003",
        weights="CIE illuminant D65 times V(lambda), 5 nm", integration="table grid",
        largest_interval=5, at_least="80",
    )  # fmt: skip
    first, second = limits_of([readings, weighted], NM_AIR).limits
    assert (first.start, first.stop, first.low, first.applies) == (500.0, 600.0, 90.0, "band value")
    assert (second.start, second.stop, second.low) == (380.0, 780.0, 80.0)


def test_what_is_no_height_of_the_curve_is_said_to_be_drawn_with_its_verdict():
    drawable = limits_of(
        [specification(what="ripple", of="%T", definition="peak to valley", at_most="1")], NM_AIR
    )
    assert drawable.limits == ()
    assert drawable.remarks[0].endswith("its number is no height of the curve.")


def test_the_units_of_limits_without_a_mark_are_told_too():
    density = {"what": "optical density", "definition": "minimum", "unit": "OD", "of": "%T"}
    filters = specification(**density, largest_interval=2, at_least="4.0")
    drawable = limits_of([filters], NM_AIR)
    assert (drawable.limits, drawable.judged_in) == ((), frozenset({"OD"}))
    assert cautions([], judged_in=drawable.judged_in) == (OPTICAL_DENSITY,)


def test_a_limit_on_what_is_made_of_several_spectra_is_not_drawn_beside_one_of_them():
    split = specification(
        what="mean", at_least="48.5", angle_deg=45, drawn_from={"how": "mean of s and p"}
    )
    drawable = limits_of([split], NM_AIR)
    assert drawable.limits == ()
    (remark,) = drawable.remarks
    assert remark.endswith("drawn with its verdict: its curve is made of several spectra.")
