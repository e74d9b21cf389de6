"""Measurements named by the beginning of their identifier."""

from collections.abc import Iterator

import pytest

from speclake.api import Archive
from speclake.api.events import NotAllowed
from speclake.errors import NotFound
from tests.api.two_benches import export, make


@pytest.fixture
def archive(tmp_path) -> Iterator[Archive]:
    with make(tmp_path) as made:
        for number in range(3):
            export(tmp_path / "exports", f"p{number}", 91.0 + number / 10, number)
        made.ingest([tmp_path / "exports"])
        yield made


def ids(archive: Archive) -> list[str]:
    return archive.find(descending=False)["measurement_id"].to_list()


def test_a_beginning_that_one_has_is_enough(archive):
    first, second, _ = ids(archive)
    assert archive.whole_ids([second[:6], first]) == [second, first]
    assert archive.whole_ids([first, first[:8], f" {first[:12]} "]) == [first]
    assert archive.whole_ids([]) == []


def test_a_beginning_that_several_have_is_an_error_that_lists_them(archive, monkeypatch):
    """Two that begin alike do not come about on their own: the look-up is told so."""
    first, second, _ = ids(archive)
    monkeypatch.setattr(
        type(archive.store.catalog),
        "ids_beginning",
        lambda _, texts: {t: [first, second] for t in texts},
    )
    with pytest.raises(NotAllowed, match=f"found 2 measurements .* {first}, {second}"):
        archive.whole_ids([first[:7]])


@pytest.mark.parametrize("text", ["", "0", "%", "______", "zzzzzzzz", "*"])
def test_what_begins_no_identifier_is_refused(archive, text):
    with pytest.raises(NotFound, match="found no measurement"):
        archive.whole_ids([text])


def test_five_characters_are_too_few(archive):
    with pytest.raises(NotFound, match="its first 6 characters"):
        archive.whole_ids([ids(archive)[0][:5]])
