"""Looks: nothing is told by colour alone, and what users wrote is text."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from speclake_dashboards import curves, theme
from speclake_dashboards.cautions import OPTICAL_DENSITY, PURGE, ULTRAVIOLET, cautions

from speclake.specs.verdicts import SEVERITY, Outcome


def test_every_outcome_has_a_word_a_shape_a_stroke_and_a_colour_of_its_own():
    assert set(theme.MARKS) == set(Outcome)
    for part in ("word", "shape", "colour"):
        assert len({getattr(mark, part) for mark in theme.MARKS.values()}) == len(Outcome)
    # what has lapsed is no outcome of a spectrum, so no line has its stroke
    assert len({theme.MARKS[outcome].stroke for outcome in SEVERITY}) == len(SEVERITY)
    assert all(mark.word == str(outcome) for outcome, mark in theme.MARKS.items())


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize(
    "colour",
    [*(mark.colour for mark in theme.MARKS.values()), theme.ACCENT, theme.QUIET_INK, theme.INK],
)
def test_text_in_every_colour_is_readable_on_white(colour):
    # contrast of at least 4.5 to 1: W3C, Web Content Accessibility Guidelines 2.1, criterion 1.4.3
    assert 1.05 / (luminance(colour) + 0.05) >= 4.5


@pytest.mark.parametrize("colour", theme.LINE_COLOURS)
def test_lines_in_every_colour_are_seen_on_white(colour):
    # contrast of at least 3 to 1 for graphics: the same guidelines, criterion 1.4.11
    assert 1.05 / (luminance(colour) + 0.05) >= 3.0


def test_every_stroke_of_a_line_looks_and_is_called_its_own():
    assert len({theme._DASHES[stroke] for stroke in theme.LINE_STROKES}) == 5
    assert "dotdash" not in theme.LINE_STROKES  # dashdot begun at another place
    looks = [curves.stroke_of(i) for i in range(curves.MOST_CURVES)]
    assert len({theme.line_words(*look) for look in looks}) == curves.MOST_CURVES


def test_every_template_can_be_read():
    names = theme._environment().list_templates()
    assert "frame.html" in names
    for name in names:
        if name != "frame.html":  # extends the template that Panel hands it when a page is made
            theme._environment().get_template(name)


def test_what_users_wrote_is_escaped_wherever_it_is_put_in():
    nasty = "<script>alert(1)</script>"
    assert "<script>" not in theme.render("message.html", text=nasty)
    assert "<script>" not in theme.badge("pass", nasty)
    assert "&lt;script&gt;" in theme.badge("pass", nasty)


def test_a_time_is_shown_in_the_zone_of_the_archive_which_is_named():
    noon = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
    assert theme.moment(noon, ZoneInfo("Europe/Lisbon")) == "2026-07-01 13:00:00 WEST"
    assert theme.moment(noon) == "2026-07-01 12:00:00 UTC"
    assert theme.moment(None) == "unknown"


def test_the_page_says_that_its_data_are_invented():
    assert theme.INVENTED == "All data on this page are invented."


def row(**changes):
    facts = {
        "axis_unit": "nm", "axis_first": 400.0, "axis_last": 800.0, "unit": "%T",
        "segment": None, "comment": None,
    }  # fmt: skip
    return facts | changes


@pytest.mark.parametrize(
    ("changes", "owed"),
    [
        ({}, ()),
        ({"axis_first": 315.0}, ()),
        ({"axis_first": 314.0}, (ULTRAVIOLET,)),
        ({"axis_first": 800.0, "axis_last": 300.0}, (ULTRAVIOLET,)),
        ({"axis_unit": "um", "axis_first": 0.3, "axis_last": 0.4}, (ULTRAVIOLET,)),
        ({"axis_unit": "cm-1", "axis_first": 20_000.0, "axis_last": 32_000.0}, (ULTRAVIOLET,)),
        ({"axis_unit": "cm-1", "axis_first": 20_000.0, "axis_last": 31_700.0}, ()),
        ({"axis_unit": "eV", "axis_first": 2.0, "axis_last": 4.0}, (ULTRAVIOLET,)),
        ({"axis_unit": "eV", "axis_first": 2.0, "axis_last": 3.9}, ()),
        ({"comment": "Nitrogen purge 20 min"}, (PURGE,)),
        ({"segment": "deep UV"}, (ULTRAVIOLET,)),
        ({"unit": "A"}, (OPTICAL_DENSITY,)),
    ],
)
def test_a_page_owes_a_caution_where_it_touches_ultraviolet_purging_or_optical_density(
    changes, owed
):
    assert cautions([row(), row(**changes)]) == owed


def test_values_shown_as_absorbance_owe_the_caution_of_an_optical_density():
    assert cautions([row()], "A") == (OPTICAL_DENSITY,)
    assert cautions([row()], "%T") == ()


@pytest.mark.parametrize("caution", [ULTRAVIOLET, PURGE, OPTICAL_DENSITY])
def test_a_caution_points_to_code_instructions_and_a_qualified_person(caution):
    for said in ("no certification", "local code", "safety instructions", "a qualified person"):
        assert said in caution


def test_a_caution_names_the_harm_itself():
    assert "harms eyes and skin, seen or unseen" in ULTRAVIOLET
    assert "Below about 240 nm it makes ozone" in ULTRAVIOLET
    assert "displace the oxygen" in PURGE
    assert "ventilate" in PURGE


def test_bands_of_a_gas_in_the_path_bring_the_cautions_of_lamps_and_of_purging():
    assert cautions([row()], checks={"oxygen bands"}) == (ULTRAVIOLET, PURGE)
    assert cautions([row()], checks={"water bands"}) == (PURGE,)
    assert cautions([row()], checks={"noise"}) == ()
