"""Picture of a control chart, tested without a server."""

import math

import holoviews as hv
import pytest
from speclake_dashboards.control import ChartPicture, picture


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
        "unit": "%T",
        "lower": 91.5,
        "centre": 92.3,
        "upper": 93.1,
        "spec_low": 90.0,
        "spec_high": None,
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
    figure = drawn(shown(lower=None, centre=None, upper=None, spec_low=None, out=[""] * 4))
    assert lines(figure) == {}
    assert glyphs(figure, "Quad") == []
    assert figure.y_range.start < 91.2 < figure.y_range.end


def test_a_click_on_a_point_opens_its_measurement():
    figure = drawn(shown())
    taps = [tool for tool in figure.tools if type(tool).__name__ == "TapTool"]
    assert {tap.callback.url for tap in taps} == {"measurement?id=@key"}
