"""Pictures of spectra: what they hold at each number of spectra, tested without a server."""

from itertools import pairwise

import numpy as np
import pytest
from speclake_dashboards import curves
from speclake_dashboards.curves import Caption
from speclake_dashboards.density import Density
from speclake_dashboards.limits import Limit
from speclake_dashboards.matching import Units

from speclake.spectrum import Axis, SpectrumSet


def spectra(n: int, points: int = 2401) -> SpectrumSet:
    axis = Axis(np.linspace(200.0, 1400.0, points), "nm", "air")
    level = 80.0 + np.arange(n)[:, None] * 0.01
    return SpectrumSet(axis, level + np.zeros(points), "%T", tuple(f"k{i}" for i in range(n)))


def captions(of: SpectrumSet, outcome: str | None = "pass") -> dict[str, Caption]:
    return {key: Caption(f"W {key}", "lot 7", outcome) for key in of.keys}


def glyphs(figure, kind: str) -> list:
    return [r for r in figure.renderers if type(r.glyph).__name__ == kind]


def test_up_to_twenty_spectra_are_drawn_at_full_resolution_and_told_apart_without_colour():
    few = spectra(20)
    lines = glyphs(curves.curves([few], captions(few)), "Line")
    assert len(lines) == 20
    assert all(line.data_source.data["y"].size == 2401 for line in lines)
    looks = [(line.glyph.line_color, str(line.glyph.line_dash)) for line in lines]
    assert len(set(looks)) == 20
    neighbours = pairwise(lines)
    assert all(str(a.glyph.line_dash) != str(b.glyph.line_dash) for a, b in neighbours)


def test_more_spectra_become_one_glyph_with_no_more_points_than_a_screen_shows():
    many = spectra(300)
    figure = curves.curves([many], captions(many, "fail"))
    assert glyphs(figure, "Line") == []
    (lines,) = glyphs(figure, "MultiLine")
    data = lines.data_source.data
    assert len(data["xs"]) == len(data["key"]) == 300
    assert data["ys"][0].dtype == np.float32
    assert data["ys"][0].size <= 2 * curves.COLUMNS + 2
    assert set(data["stroke"]) == {"dashed"}
    assert set(data["outcome"]) == {"fail"}


def test_zooming_in_brings_back_the_measured_points():
    many = spectra(21)
    xs, ys = curves.line_points([many], 500.0, 510.0)
    inside = (xs[0] >= 500.0) & (xs[0] <= 510.0)
    assert inside.sum() == 21
    assert len(ys) == 21


@pytest.mark.parametrize("count", [0, curves.MOST_LINES + 1])
def test_a_picture_of_lines_refuses_what_it_cannot_hold(count):
    sets = [spectra(count)]
    with pytest.raises(ValueError, match="holds 1 to 1000"):
        curves.curves(sets, captions(sets[0]))


def test_the_frame_holds_spectra_and_limits_but_no_limit_beside_them():
    few = spectra(1)
    near = Limit(400, 500, 60.0, None, "every point", "near")
    far = Limit(2000, 2100, 1.0, None, "every point", "far")
    start, stop, low, high = curves.span_of([few], [near, far])
    assert (start, stop) == (200.0, 1400.0)
    assert 55.0 < low < 60.0
    assert 80.0 < high < 85.0


def test_a_spectrum_without_a_single_value_still_has_a_frame():
    axis = Axis(np.array([500.0]), "nm")
    blank = SpectrumSet(axis, np.array([[np.nan]]), "%T", ("k0",))
    start, stop, low, high = curves.span_of([blank])
    assert start < 500.0 < stop
    assert low < high
    assert curves.curves([blank], captions(blank)) is not None


def test_names_that_users_wrote_reach_the_tooltip_as_data_and_not_as_markup():
    one = spectra(1)
    figure = curves.curves([one], {"k0": Caption("<b onmouseover=x>")})
    tips = [tool.tooltips for tool in figure.tools if type(tool).__name__ == "HoverTool"]
    assert "<b" not in str(tips)
    assert ("", "@name") in tips[0]


def test_a_click_opens_the_measurement():
    one = spectra(1)
    figure = curves.curves([one], captions(one))
    (tap,) = [tool for tool in figure.tools if type(tool).__name__ == "TapTool"]
    assert tap.callback.url == "measurement?id=@key"
    assert tap.callback.same_tab
    assert figure.renderers[0].data_source.data["key"][0] == "k0"


def test_a_crowd_shows_its_density_its_outermost_values_and_the_chosen_on_top():
    everyone, failed = spectra(1500, 601), spectra(2)
    density = Density(200.0, 1400.0)
    density.add(everyone.axis.values, everyone.values)
    picture = density.picture()
    assert picture is not None
    figure = curves.crowd(
        picture, Units("nm", "air", "%T"), [failed], captions(failed, "fail"),
        [Limit(400, 500, 60.0, None, "every point", "at least")],
    )  # fmt: skip
    (image,) = glyphs(figure, "Image")
    assert image.data_source.data["image"][0].max() <= 1500
    assert {r.name for r in glyphs(figure, "Line")} == {"lowest", "highest"}
    (lines,) = glyphs(figure, "MultiLine")
    assert lines.data_source.data["key"] == ["k0", "k1"]
    assert [r.name for r in glyphs(figure, "Quad")] == ["forbidden side"]


def test_axes_are_named_with_their_unit_and_medium():
    one = spectra(1)
    figure = curves.curves([one], captions(one), of="difference in ")
    assert figure.xaxis[0].axis_label == "wavelength in air (nm)"
    assert figure.yaxis[0].axis_label == "difference in transmittance (%T)"


def test_the_view_near_the_limits_holds_them_and_every_value_in_their_stretch():
    few = spectra(2)
    few.values[1, 500] = 20.0  # 450 nm
    few.values[0, 2000] = 1.0  # 1200 nm, far from any limit
    near = Limit(400, 500, 60.0, None, "every point", "near")
    far = Limit(2000, 2100, 1.0, None, "every point", "far")
    view = curves.span_near([few], [near, far])
    assert view is not None
    start, stop, low, high = view
    assert (start, stop) == (380.0, 520.0)
    assert 1.0 < low < 20.0
    assert 80.01 < high < 100.0
    figure = curves.curves([few], captions(few), [near], view=view)
    assert (figure.x_range.start, figure.y_range.end) == (start, high)


def test_there_is_no_view_near_limits_that_lie_beside_the_spectra():
    far = Limit(2000, 2100, 1.0, None, "every point", "far")
    assert curves.span_near([spectra(1)], [far]) is None
    assert curves.span_near([spectra(1)], []) is None
