"""The page on a refused file, without a browser: what it shows, and what its buttons do."""

from collections.abc import Iterator
from pathlib import Path

import holoviews as hv
import pytest
from speclake_dashboards.address import Address
from speclake_dashboards.app import view_of
from speclake_dashboards.desk import BY_HAND, Desk

from speclake.api import Archive
from tests.dashboards.conftest import NASTY
from tests.labs import FORMAT, export

UNKNOWN = f"""\
Probe;{NASTY}
Datum;04.05.2026 10:00:00
nm;%T
500,0;90,12
501,0;90,34
502,0;-0,05
503,0;91,00
504,0;91,20
"""


@pytest.fixture(scope="module", autouse=True)
def _bokeh():
    hv.extension("bokeh")


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab") as archive:
        (archive.root / "formats/plain.toml").write_text(FORMAT, "utf-8")
        (tmp_path / "exports").mkdir()
        yield archive


def refused(lab: Archive, name: str, content: str) -> str:
    file = lab.root.parent / "exports" / name
    file.write_text(content, "utf-8")
    return lab.ingest([file]).refused[0].file_id


def desk_of(lab: Archive, key: str, *, may_save: bool = True) -> Desk:
    return Desk(lab, lab.study(key), may_save=may_save)


def said(parts) -> str:
    """Everything that Panel objects say, those within others too."""
    texts = []
    for part in parts:
        texts.append(str(getattr(part, "object", "")))
        if hasattr(part, "objects"):
            texts.append(said(part.objects))
    return "".join(texts)


def answered(desk: Desk) -> Desk:
    for widget in desk.choices:
        if "(needed)" in widget.label:
            widget.value = widget.options[1]
    desk.fill.clicks += 1
    return desk


def test_the_page_tells_why_the_file_was_refused_and_shows_its_lines_as_text(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    view = view_of(lab, "mend", {"file": [key.encode()]}, is_local=True)
    text = said(view.pieces)
    assert "q7.csv" in text
    assert "no importer can read it" in text
    assert "What the draft assumes" in text
    assert "501,0;90,34" in text
    assert "<img" not in text


def test_without_a_file_the_refused_ones_are_listed(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    (piece,) = view_of(lab, "mend", {}).pieces
    assert f"mend?file={key}" in piece
    intake = view_of(lab, "intake", {"outcome": [b"refused"]})
    assert f"mend?file={key}" in said(intake.pieces)


def test_choices_write_the_draft_anew_and_read_the_file_with_it(lab):
    desk = answered(desk_of(lab, refused(lab, "q7.csv", UNKNOWN)))
    assert "# unit" not in desk.text.value
    text = said([desk.reading])
    assert '<span class="count">1</span> spectrum read from this file' in text
    assert "transmittance in %T: 90.12 at 500, 91.2 at 504 nm" in text
    assert "Once it is saved, this file goes to it by itself." in text
    assert "<img" not in text
    assert lab.count() == 0


def test_a_text_changed_by_hand_is_not_lost_to_one_press(lab):
    desk = desk_of(lab, refused(lab, "q7.csv", UNKNOWN))
    drafted = desk.text.value
    desk.text.value = "# mine"
    desk.fill.clicks += 1
    assert desk.text.value == "# mine"
    assert BY_HAND in said([desk.filled])
    desk.fill.clicks += 1
    assert desk.text.value == drafted


def test_a_text_that_is_no_format_is_told_with_its_line_and_the_desk_goes_on(lab):
    desk = desk_of(lab, refused(lab, "q7.csv", UNKNOWN))
    desk.name.value, desk.text.value = "bench-q", '[text]\ncolour = "<img>"\n'
    desk.read.clicks += 1
    text = said([desk.reading])
    assert "bench-q.toml, line 2, text.colour" in text
    assert "<img" not in text
    assert not desk.read.disabled


def test_a_refusal_of_the_preview_is_marked_among_the_lines(lab):
    good = export("W1", 90.0, lab.root.parent / "exports").read_text("utf-8")
    desk = desk_of(lab, refused(lab, "W2.txt", good.replace("505\t92.0", "505\tOver")))
    assert desk.text.value == FORMAT
    assert desk.name.value == "plain"
    desk.text.value = FORMAT.replace('decimal_sign = "."', 'decimal_sign = "."\nmissing = ["Over"]')
    desk.read.clicks += 1
    text = said([desk.reading])
    assert "spectrum read from this file" in text
    assert "refused here" not in said([desk.lines])
    desk.text.value = FORMAT
    desk.read.clicks += 1
    assert "It reads nothing from this file." in said([desk.reading])
    assert 'class="refused"' in said([desk.lines])


def test_a_format_is_saved_by_name_and_the_file_is_tried_again(lab):
    desk = answered(desk_of(lab, refused(lab, "q7.csv", UNKNOWN)))
    assert desk.retry.disabled
    desk.save.clicks += 1
    assert "expected letters, digits" in said([desk.saved])
    desk.name.value = "bench-q"
    desk.save.clicks += 1
    assert "an event needs who did it and why" in said([desk.saved])
    desk.who.value, desk.why.value = "op 2", "a new bench"
    desk.save.clicks += 1
    assert "is saved, version" in said([desk.saved])
    assert lab.events("bench-q")[0].who == "op 2"
    desk.retry.clicks += 1
    (key,) = lab.find()["measurement_id"]
    assert f"measurement?id={key}" in said([desk.retried])


def test_a_name_that_is_taken_is_replaced_only_when_that_is_ticked(lab):
    lab.ingest([export("W1", 90.0, lab.root.parent / "exports")])
    desk = answered(desk_of(lab, refused(lab, "q7.csv", UNKNOWN)))
    desk.name.value, desk.who.value, desk.why.value = "plain", "op 2", "wrong before"
    desk.save.clicks += 1
    assert "is taken, and 1 measurement was read with that format" in said([desk.saved])
    assert (lab.root / "formats/plain.toml").read_text("utf-8") == FORMAT
    desk.may_replace.value = True
    desk.save.clicks += 1
    assert "Earlier versions have read 1 measurement" in said([desk.saved])


def test_pages_for_other_machines_save_nothing(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    assert not Address({}).is_local
    text = said(view_of(lab, "mend", {"file": [key.encode()]}).pieces)
    assert "nothing is saved from here" in text
    shown = desk_of(lab, key, may_save=False).pieces
    assert "Save the format" not in repr(shown)
    assert "Save the format" in repr(desk_of(lab, key).pieces)
