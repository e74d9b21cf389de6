"""Picture of a control chart, tested without a server."""

import math
from itertools import pairwise

import holoviews as hv
import pytest
from speclake_dashboards.control import ChartPicture, levels, picture, spread
from speclake_dashboards.digits import SpecLimits, decimals_of, fixed, point_text


@pytest.fixture(scope="module", autouse=True)
def _bokeh():
    hv.extension("bokeh")


def shown(**changes) -> ChartPicture:
    facts = {
        "values": [92.3, 92.4, 91.2, math.nan],
        "out": ["", "", "beyond the lower control limit", ""],
        "names": ["W1", "W2", "W3", "W4"],
        "times": [f"2026-03-0{day} 10:00:00 UTC" for day in (2, 3, 4, 5)],
        "keys": ["k1", "k2", "k3", "k4"],
        "base": 3,
        "base_end": 3,
        "decimals": 2,
        "unit": "%T",
        "lower": 91.5,
        "centre": 92.3,
        "upper": 93.1,
        "spec": SpecLimits(low=90.0, low_text="90.0", spec="window, revision B"),
    }
    return ChartPicture(**(facts | changes))


def drawn(of: ChartPicture):
    return hv.render(picture(of), backend="bokeh")


def glyphs(figure, kind: str) -> list:
    return [r for r in figure.renderers if type(getattr(r, "glyph", None)).__name__ == kind]


def lines(figure) -> dict:
    found = [r for r in figure.renderers if type(r).__name__ == "Span"]
    level = [line for line in found if line.dimension == "width"]
    return {round(float(line.location), 3): line for line in level}


def test_points_out_of_control_differ_in_shape_and_size_and_say_why():
    figure = drawn(shown())
    marks = {r.glyph.marker: r for r in glyphs(figure, "Scatter")}
    assert set(marks) == {"circle", "diamond"}
    assert list(marks["diamond"].data_source.data["key"]) == ["k3"]
    assert list(marks["diamond"].data_source.data["out"]) == ["beyond the lower control limit"]
    assert list(marks["circle"].data_source.data["key"]) == ["k1", "k2", "k4"]
    assert marks["diamond"].glyph.size > marks["circle"].glyph.size


def test_the_spec_limit_is_drawn_apart_from_the_control_limits_and_its_far_side_hatched():
    figure = drawn(shown())
    spans = lines(figure)
    assert set(spans) == {90.0, 91.5, 92.3, 93.1}
    assert spans[90.0].line_color != spans[91.5].line_color
    assert str(spans[90.0].line_dash) != str(spans[91.5].line_dash)
    (box,) = glyphs(figure, "Quad")
    assert box.glyph.hatch_pattern == "right_diagonal_line"
    assert box.data_source.data["top"][0] == 90.0
    assert figure.y_range.start < 90.0


def test_a_chart_without_limits_still_shows_its_points():
    figure = drawn(shown(lower=None, centre=None, upper=None, spec=SpecLimits(), out=[""] * 4))
    assert lines(figure) == {}
    assert glyphs(figure, "Quad") == []
    assert figure.y_range.start < 91.2 < figure.y_range.end


def test_a_click_on_a_point_opens_its_measurement():
    figure = drawn(shown())
    taps = [tool for tool in figure.tools if type(tool).__name__ == "TapTool"]
    assert {tap.callback.url for tap in taps} == {"measurement?id=@key"}


def test_points_outside_the_specification_are_framed_and_say_so():
    figure = drawn(shown(spec=SpecLimits(low=91.50, low_text="91.50")))
    marks = {r.glyph.marker: r for r in glyphs(figure, "Scatter")}
    assert list(marks["square"].data_source.data["key"]) == ["k3"]
    assert list(marks["square"].data_source.data["out"]) == [
        "beyond the lower control limit; outside the specification: below 91.50"
    ]


def test_limits_from_few_points_are_faint_and_those_of_the_specification_are_not():
    few, usual = lines(drawn(shown())), lines(drawn(shown(base=20)))
    assert few[93.1].line_alpha < usual[93.1].line_alpha == few[90.0].line_alpha == 1.0


def test_the_words_of_the_lines_stand_beside_the_frame_with_room_between_them():
    figure = drawn(shown(lower=92.28, upper=92.32))
    (axis,) = [each for each in figure.right if each.name == "lines"]
    words = axis.major_label_overrides
    assert sorted(words.values()) == ["centre 92.30", "lower 92.28", "spec 90.0", "upper 92.32"]
    places = sorted(words)
    height = figure.y_range.end - figure.y_range.start
    assert all(b - a > 0.04 * height for a, b in pairwise(places))
    assert [words[place].split()[0] for place in places] == ["spec", "lower", "centre", "upper"]
    assert [each.words for each in levels(shown()) if each.is_spec] == [
        "limit of the specification (window, revision B): at least 90.0"
    ]


def test_labels_that_have_room_stay_at_their_lines():
    assert spread([3.0, 1.0, 2.0], 0.5) == [3.0, 1.0, 2.0]
    assert spread([1.0, 1.0], 0.5) == [0.75, 1.25]


def test_a_chart_has_as_many_decimals_for_all_numbers_and_none_against_the_limit():
    assert decimals_of(["99.00"], [0.05, 0.07]) == 3
    assert decimals_of([], [0.05, math.nan]) == 3
    assert decimals_of([], []) == 0
    assert fixed(-1.5, 2) == "−1.50"
    assert fixed(math.nan, 2) == "–"
    low = SpecLimits(low=99.25, low_text="99.25")
    assert point_text(99.3, 3, low) == "99.300"
    assert point_text(99.2499996, 3, low) == "99.2499996"
    assert point_text(math.nan, 3, low) == "–"
