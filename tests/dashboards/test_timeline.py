"""Pictures over time: states and runs, numbers with their limits, two instruments compared."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from bokeh.models import Label
from bokeh.models import Span as Line
from speclake_dashboards import agreement_picture, courses, timeline
from speclake_dashboards.matching import Units
from speclake_dashboards.timeline import Row, Run, Strip, Timeline, Work

from speclake.fitness.comparing import agreement
from speclake.specs.verdicts import Outcome

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)


def after(days: float) -> datetime:
    return MONDAY + timedelta(days=days)


def named(drawn, name):
    return [each for each in drawn.renderers if each.name == name]


def test_strips_are_cut_at_the_ends_of_the_span():
    strips = [Strip(after(-30), after(1), "unknown", "a"), Strip(after(1), after(99), "fit", "b")]
    found = timeline.clipped(strips, after(0), after(10))
    assert [(s.since, s.until) for s in found] == [(after(0), after(1)), (after(1), after(10))]
    assert timeline.clipped(strips, after(200), after(201)) == ()


def test_timeline_draws_every_state_run_and_work_in_its_place():
    strips = (Strip(after(0), after(3), "fit", "x"), Strip(after(3), after(7), "unfit", "y"))
    runs = (Run(after(1), Outcome.PASS, "p", "k"), Run(after(3), Outcome.FAIL, "f", "l"))
    rows = (Row("bench A", strips=strips), Row("noise", runs=runs))
    drawn = timeline.picture(Timeline(rows, after(0), after(7), (Work(1, after(5), "moved"),)))
    (fit,), (unfit,) = named(drawn, "fit"), named(drawn, "unfit")
    assert fit.data_source.data["right"] == unfit.data_source.data["left"]
    assert fit.glyph.hatch_pattern is None or fit.glyph.hatch_pattern != unfit.glyph.hatch_pattern
    (passed,), (failed,) = named(drawn, "runs: pass"), named(drawn, "runs: fail")
    assert passed.glyph.marker != failed.glyph.marker
    assert list(failed.data_source.data["when"]) == [after(3).timestamp() * 1000]
    (line,) = [each for each in drawn.center if isinstance(each, Line)]
    assert line.location == after(5).timestamp() * 1000
    texts = [each.text for each in drawn.center if isinstance(each, Label)]
    assert texts == ["bench A", "noise", " 1"]


def test_limits_of_a_number_are_in_sight_and_uncertainties_drawn():
    points = tuple(courses.Point(after(day), 0.01 * day, 0.05) for day in range(5))
    shown = courses.Courses((courses.Course("x", points),), "error", "nm", low=-0.5, high=0.5)
    drawn = courses.picture(shown)
    assert drawn.y_range.start < -0.5 < 0.5 < drawn.y_range.end
    assert len(named(drawn, "value ± U")) == 1
    assert sorted(each.location for each in drawn.center if isinstance(each, Line)) == [-0.5, 0.5]


def test_each_phase_has_its_own_limits_and_points_beyond_are_framed():
    points = tuple(courses.Point(after(day), float(day), key=str(day)) for day in range(4))
    phases = (
        courses.Phase(after(0), after(2), 0.5, 0.0, 1.0),
        courses.Phase(after(2), after(4), 2.5, None, None),
    )
    shown = courses.Courses(
        (courses.Course("x", points),), "value", "%T", phases=phases, out=frozenset({"3"})
    )
    drawn = courses.picture(shown)
    assert len(named(drawn, "centre")) == 2
    assert len(named(drawn, "control limit")) == 2
    (framed,) = named(drawn, "out of control")
    assert list(framed.data_source.data["y"]) == [3.0]


def test_only_the_newest_points_of_a_long_course_are_drawn():
    many = tuple(courses.Point(after(n / 24), float(n)) for n in range(courses.MOST_POINTS + 5))
    (short,) = courses.shortened([courses.Course("x", many)])
    assert len(short.points) == courses.MOST_POINTS
    assert short.points[-1] == many[-1]


def test_comparison_shows_the_bias_within_its_limits():
    rng = np.random.default_rng(1)
    found = agreement(0.2 + 0.05 * rng.standard_normal((8, 40)))
    drawn = agreement_picture.picture(np.linspace(400, 700, 40), found, Units("nm", "air", "%T"))
    (bias,) = named(drawn, "bias")
    assert np.mean(bias.data_source.data["y"]) == pytest.approx(0.2, abs=0.03)
    assert len(named(drawn, "limit of agreement")) == 2
    assert drawn.y_range.start <= 0
