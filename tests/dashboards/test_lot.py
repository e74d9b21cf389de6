"""The page of a lot: parts, what fails, and concessions given and taken back on it."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from speclake_dashboards.address import Address
from speclake_dashboards.conceding import ALL, ConcedingDesk
from speclake_dashboards.lot import page

from speclake.api import Archive
from speclake.specs import Outcome

DENSITY = """
name = "plate"
products = ["plate"]
[[requirement]]
id = "blocking"
what = "optical density"
of = "%T"
unit = "OD"
definition = "minimum"
band = [500, 510]
largest_interval = 2
at_least = 3
"""
ACCEPTED = "ccepted by concession of quality 1"


@pytest.fixture
def archive(lot: Path, tmp_path: Path) -> Iterator[Archive]:
    shutil.copytree(lot, tmp_path / "lab")
    with Archive.open(tmp_path / "lab") as opened:
        yield opened


def text(archive: Archive, **entries: str) -> str:
    """Text of the page, without the widgets."""
    address = Address({name: [value] for name, value in entries.items()})
    return str(page(archive, address).pieces[0].object)


def desk(archive: Archive, is_local: bool = True) -> ConcedingDesk:
    def again():
        archive.refresh()
        return archive.lot_verdict("L1")

    return ConcedingDesk(archive, again(), again, is_local=is_local)


def said(place: object) -> str:
    return "".join(str(each.object) for each in place)  # type: ignore[attr-defined]  # a Column


def test_the_parts_stand_there_with_the_worst_first_and_lead_to_their_verdicts(archive) -> None:
    found = text(archive, lot="L1")
    assert found.index(">S2<") < found.index(">S3<") < found.index(">S1<")
    assert "2 fail" in found and "1 pass" in found
    assert "spec=plate&amp;requirement=green" in found
    assert "green: 85.00 %T" in found


def test_without_a_lot_the_lots_are_listed(archive) -> None:
    listed = str(page(archive, Address({})).pieces[0])
    assert 'href="lot?lot=L1"' in listed
    assert "2 fail" in listed


def test_a_concession_given_on_the_page_stands_beside_and_changes_no_outcome(archive) -> None:
    work = desk(archive)
    assert work.part.options == {ALL: ALL, "S2": "S2", "S3": "S3"}
    work.part.value, work.until.value = "S2", "2999-12-31"
    work.who.value, work.why.value = "quality 1", "for trials"
    work.give.clicks += 1
    assert "Recorded: quality 1 accepts S2; still failed." in said(work.said)
    found = text(archive, lot="L1")
    assert found.count(ACCEPTED) == 1
    assert "Accepted by concession: 1 of 2 parts that failed" in found
    assert "until 2999-12-31; for trials" in found
    assert archive.lot_verdict("L1").outcome is Outcome.FAIL
    work.revoking.value, work.reason.value = "quality 2", "the trials are over"
    work.take_back.clicks += 1
    assert "taken back" in said(work.revoked)
    found = text(archive, lot="L1")
    assert ACCEPTED not in found
    assert "revoked by quality 2: the trials are over" in found


@pytest.mark.parametrize(
    ("field", "value", "found"),
    [("who", "", "needs who did it"), ("until", "soon", "one such as 2026-12-31"),
     ("requirements", "green, blue", "requirement &#39;blue&#39; not failed")],
)  # fmt: skip
def test_what_cannot_be_recorded_is_said_in_its_place(archive, field, value, found) -> None:
    work = desk(archive)
    work.who.value, work.why.value = "quality 1", "for trials"
    getattr(work, field).value = value
    head = archive.store.head()
    work.give.clicks += 1
    assert found in said(work.said)
    assert archive.store.head() == head


def test_visitors_from_elsewhere_can_record_nothing(archive) -> None:
    (closed,) = desk(archive, is_local=False).pieces
    assert "speclake concede" in closed


def test_where_nothing_failed_nothing_is_offered(archive) -> None:
    archive.withdraw(archive.find(outcome="fail", limit=None)["measurement_id"].to_list(),
                     who="op", why="wrong side")  # fmt: skip
    assert not desk(archive).pieces[0].visible


def test_the_verdict_and_the_search_show_the_concession_too(archive) -> None:
    from speclake_dashboards import bench, measurement, overlay, search

    archive.concede(part="S2", who="quality 1", why="for trials")
    key = archive.find(sample="S2")["measurement_id"][0]
    found = str(measurement.page(archive, Address({"id": [key]})).pieces[0])
    assert found.count(ACCEPTED) == 2
    assert "Accepted by concession of quality 1: for trials." in found
    assert "<svg" in found
    assert ACCEPTED in str(search.page(archive, Address({"sample": ["S2"]})).pieces[0])
    beside = overlay.page(archive, Address({"sample": ["S2"]})).pieces
    assert any(ACCEPTED in str(piece) for piece in beside if isinstance(piece, str))
    shown = str(bench.page(archive, Address({})).pieces[0].object)
    last = archive.bench()[0].measurement.sample
    assert (ACCEPTED in shown) == (last == "S2")


def test_a_closer_look_names_the_verdict_and_draws_it(archive) -> None:
    from speclake_dashboards import measurement

    key = archive.find(sample="S2")["measurement_id"][0]
    asked = Address({"id": [key], "requirement": ["green"], "spec": ["plate"]})
    view = measurement.page(archive, asked)
    assert "The picture in words" in str(view.pieces[1])
    assert len(view.pieces) == len(measurement.page(archive, Address({"id": [key]})).pieces) + 2


def test_a_density_shows_the_usual_caution_on_every_page_of_its_verdict(archive) -> None:
    from speclake_dashboards import measurement

    caution = "no certification of a protective filter"
    assert caution not in text(archive, lot="L1")
    (archive.root / "specs/plate.toml").write_text(DENSITY, "utf-8")
    archive.adopt_revision("L1", "plate", who="op", why="a filter after all")
    assert caution in text(archive, lot="L1")
    key = archive.find(sample="S2")["measurement_id"][0]
    assert caution in str(measurement.page(archive, Address({"id": [key]})).pieces[0])
