"""The live picture of a verdict marks what the verdict says, each thing where it lies."""

import numpy as np
import pytest
from speclake_dashboards.verdict_picture import curve_figure, drawing, scale_figure

from speclake.judging import Conditions, judge
from speclake.judging.conditions import Bandwidth
from speclake.judging.pictures import picture_of
from speclake.specs.model import Specification
from speclake.spectrum import Axis, SpectrumSet

NM = np.arange(400.0, 701.0)
KNOWN = Conditions(smoothed=False, bandwidths=(Bandwidth(200.0, 1200.0, 1.0),))


def picture(values=None, **requirement):
    """Picture of a verdict on an invented spectrum with a dip to 88 %T at 600 nm."""
    written = {"id": "r", "what": "minimum", "unit": "%T", "band": [560, 640]} | requirement
    spec = Specification.model_validate({"name": "S", "requirement": [written]})
    values = np.where(NM == 600, 88.0, 90.0) if values is None else values
    spectra = SpectrumSet(Axis(NM, "nm", "air"), values[None], "%T", ("a",))
    (verdict,) = judge(spectra, spec, [KNOWN])
    return picture_of(verdict, spec.requirements[0], spectra)


def named(figure, name):
    return [each for each in figure.renderers if each.name == name]


def column(drawn, key):
    """Numbers of one column of what was drawn."""
    return list(drawn.data_source.data[key])


def test_the_point_its_bar_the_limit_and_the_guard_band_are_where_they_belong():
    figure = curve_figure(picture(at_least="85.0", uncertainty=0.5))
    (value,), (bar,) = named(figure, "value"), named(figure, "value ± U")
    assert (column(value, "x"), column(value, "y")) == ([600.0], [88.0])
    assert column(bar, "y") == [87.5, 88.5]
    (limit,) = named(figure, "limit")
    assert (column(limit, "x"), column(limit, "y")) == ([560.0, 640.0], [85.0, 85.0])
    assert limit.glyph.line_dash == []
    (guard,) = named(figure, "guard band")
    assert (guard.glyph.bottom, guard.glyph.top) == (84.5, 85.5)


@pytest.mark.parametrize(("key", "below"), [("at_least", True), ("at_most", False)])
def test_the_hatch_is_on_the_forbidden_side(key, below):
    shown = picture(**{key: "89.0"})
    (strip,) = named(curve_figure(shown), "forbidden side")
    assert strip.glyph.hatch_pattern == "right_diagonal_line"
    assert (min(column(strip, "y")) < 89.0) == below
    assert (max(column(strip, "y")) > 89.0) != below
    (on_scale,) = named(scale_figure(shown.scale), "forbidden side")
    ends = (on_scale.glyph.left, on_scale.glyph.right)
    assert ends == ((shown.scale.ends[0], 89.0) if below else (89.0, shown.scale.ends[1]))


def test_a_limit_on_a_mean_is_dashed_and_the_mean_a_line():
    figure = curve_figure(picture(what="mean", at_least="85.0"))
    (limit,) = named(figure, "limit")
    assert limit.glyph.line_dash != []
    (found,) = named(figure, "found")
    assert column(found, "x") == [560.0, 640.0]


def test_an_edge_has_upright_limits():
    edge = 90.0 / (1.0 + np.exp(-(NM - 520.0) / 5.0))
    figure = curve_figure(
        picture(
            edge, what="cut-on", unit="nm", of="%T", band=[450, 600], level=45, uncertainty=0.25,
            relative_to="nothing", largest_interval=2, largest_bandwidth_nm=2, at_most="519.5",
        )
    )  # fmt: skip
    (limit,), (strip,) = named(figure, "limit"), named(figure, "forbidden side")
    assert column(limit, "x") == [519.5, 519.5]
    assert min(column(strip, "x")) == 519.5 < max(column(strip, "x"))
    (bar,) = named(figure, "value ± U")
    assert column(bar, "x") == [519.75, 520.25]


def test_without_a_number_there_is_no_dot():
    shown = picture(band=[750, 800], at_least="85")
    assert named(curve_figure(shown), "value") == []
    assert named(scale_figure(shown.scale), "value") == []
    assert named(curve_figure(shown), "limit") != []


def test_what_a_person_wrote_is_text_in_the_drawing():
    shown = picture(id="<script>alert(1)</script>", at_least="85")
    assert "<script" not in drawing(shown)
