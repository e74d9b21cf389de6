"""Findings as sentences and as letters in the picture."""

import pytest
from bokeh.models import BoxAnnotation, Label
from bokeh.models import Span as Line
from bokeh.plotting import figure
from speclake_dashboards import findings

from speclake.checks import Check, Severity


def row(check, severity, *, at=None, start=None, stop=None):
    return {
        "check": check, "severity": severity, "text": f"what {check} found", "advice": "scan again",
        "at": at, "start": start, "stop": stop,
    }  # fmt: skip


STEP = row(Check.CHANGE_OVER, Severity.DOUBT, at=860.0)
NOISE = row(Check.NOISE, Severity.REMARK, start=860.0, stop=1100.0)
OXYGEN = row(Check.OXYGEN, Severity.DOUBT, start=203.0, stop=190.0)
CLOCK = row(Check.CLOCKS, Severity.REMARK)


def test_doubts_come_first_and_each_by_its_place():
    found = findings.notes([NOISE, CLOCK, STEP, OXYGEN], "nm")
    assert [note.check for note in found] == ["oxygen bands", "change-over", "clocks", "noise"]
    assert [note.letter for note in found] == ["a", "b", "", "c"]
    assert [note.where for note in found] == ["190 to 203 nm", "at 860 nm", "", "860 to 1100 nm"]
    assert [note.is_doubt for note in found] == [True, True, False, False]


def test_picture_shows_each_place_once_with_its_letter():
    shown = figure()
    findings.draw(shown, findings.notes([NOISE, CLOCK, STEP, OXYGEN], "nm"), (190.0, 1100.0))
    (line,) = [each for each in shown.center if isinstance(each, Line)]
    boxes = [each for each in shown.center if isinstance(each, BoxAnnotation)]
    letters = [each for each in shown.center if isinstance(each, Label)]
    assert line.location == 860.0
    assert [(box.left, box.right) for box in boxes] == [(190.0, 203.0), (860.0, 1100.0)]
    assert sorted(each.text.strip() for each in letters) == ["a", "b", "c"]


def test_stretch_with_its_largest_point_is_shaded_and_marked_there():
    shown = figure()
    found = findings.notes([row(Check.OXYGEN, Severity.DOUBT, at=191.0, start=190, stop=203)], "nm")
    assert found[0].where == "at 191 nm, within 190 to 203 nm"
    findings.draw(shown, found, (190.0, 400.0))
    assert [each.location for each in shown.center if isinstance(each, Line)] == [191.0]
    assert len([each for each in shown.center if isinstance(each, BoxAnnotation)]) == 1


def test_letters_of_neighbours_stand_above_one_another():
    shown = figure()
    near = [row(Check.SPIKE, Severity.DOUBT, at=at) for at in (500.0, 501.0, 502.0, 900.0)]
    findings.draw(shown, findings.notes(near, "nm"), (400.0, 1000.0))
    heights = [each.y for each in shown.center if isinstance(each, Label)]
    assert len(set(heights[:3])) == 3
    assert heights[3] == heights[0]


def test_letters_stay_inside_the_picture():
    shown = figure()
    beyond = [row(Check.COVERAGE, Severity.DOUBT, start=1100.0, stop=2500.0)]
    findings.draw(shown, findings.notes(beyond, "nm"), (350.0, 1100.0))
    (letter,) = [each for each in shown.center if isinstance(each, Label)]
    assert letter.x == 1100.0


@pytest.mark.parametrize("count", [27, 60])
def test_more_findings_than_letters_are_still_told(count):
    many = [row(Check.SPIKE, Severity.REMARK, at=float(i)) for i in range(count)]
    found = findings.notes(many, "cm-1")
    assert len(found) == count
    letters = [note.letter for note in found if note.letter]
    assert len(letters) == len(set(letters)) == min(count, findings.MOST_LETTERED)
