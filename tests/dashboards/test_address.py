"""The address is written by strangers: it is answered, or refused in one sentence."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from speclake_dashboards.address import MOST_IDS, Address, BadAddress, link
from speclake_dashboards.query import asked

LISBON = ZoneInfo("Europe/Lisbon")


def test_identifiers_come_from_one_entry_or_from_many_each_once():
    address = Address.from_request({"ids": [b"a1,b2", b"b2", b"c3"]})
    assert address.ids() == ("a1", "b2", "c3")


@pytest.mark.parametrize(
    "entries",
    [
        {"ids": [b"../../etc"]},
        {"ids": [b"<script>"]},
        {"ids": [b"x" * 65]},
        {"ids": [",".join(f"a{i}" for i in range(MOST_IDS + 1)).encode()]},
        {"since": [b"yesterday"]},
        {"since": [b"9999-12-31T23:59:59-12:00"]},
        {"until": [b"9999-12-31"]},
        {"since": [b"2026-01-01", b"2026-01-02"]},
        {"outcome": [b"good"]},
        {"kind": [b"spoon"]},
        {"withdrawn": [b"maybe"]},
        {"sample": [b"x" * 401]},
        {"sample": [b"\xff\xfe"]},
    ],
)
def test_an_impossible_entry_is_refused_in_a_sentence(entries):
    with pytest.raises(BadAddress, match=r"\.$"):
        address = Address.from_request(entries)
        address.ids()
        asked(address, LISBON)


def test_an_unknown_entry_is_refused_and_the_known_ones_are_named():
    with pytest.raises(BadAddress, match=r"'lott', .* It knows lot, page"):
        Address({"lott": ["7"]}).only({"lot", "page"})


@given(st.dictionaries(st.text(max_size=20), st.lists(st.text(max_size=60), max_size=3)))
def test_no_address_whatever_breaks_the_reading_of_a_query(entries):
    address = Address(entries)
    try:
        asked(address, None)
        address.ids()
        address.whole("page", 1, 1, 10)
    except BadAddress as error:
        assert str(error)


def test_a_day_is_that_of_the_archive_and_lasts_to_the_next_midnight():
    address = Address({"since": ["2026-07-01"], "until": ["2026-07-01"]})
    query = asked(address, LISBON)
    assert query["since"] == datetime(2026, 6, 30, 23, 0, tzinfo=UTC)
    assert query["until"] == datetime(2026, 7, 1, 23, 0, tzinfo=UTC)


def test_a_moment_with_its_own_offset_is_kept():
    address = Address({"since": ["2026-07-01T12:00:00+02:00"]})
    assert asked(address, LISBON)["since"] == datetime(2026, 7, 1, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize("page", ["0", "-1", "1.5", "x", "²", "11"])
def test_a_page_number_is_a_whole_number_within_limits(page):
    with pytest.raises(BadAddress, match="whole number from 1 to 10"):
        Address({"page": [page]}).whole("page", 1, 1, 10)


def test_a_link_says_everything_that_is_needed_to_read_it_back():
    entries = {"sample": "W 7/Ä&lot=9", "lot": None, "ids": ("a", "b"), "page": 2}
    written = link("search", entries)
    assert written == "search?sample=W+7%2F%C3%84%26lot%3D9&ids=a,b&page=2"
    assert link("search", {"lot": ""}) == "search"
