"""Every page as a function from a real archive and an address to a view."""

from datetime import UTC, datetime

import holoviews as hv
import pytest
from markupsafe import Markup
from speclake_dashboards.address import link
from speclake_dashboards.app import ROUTES, view_of
from speclake_dashboards.border import OUR_FAULT
from speclake_dashboards.specs import LISTED, what_if_text

from speclake.intake.folders import FolderState
from tests.dashboards.conftest import NASTY

JUNK = {
    "search": [{"since": [b"foo"]}, {"page": [b"-1"]}, {"lott": [b"1"]}, {"lot": [b"\xff"]}],
    "overlay": [{"ids": [b"!"]}, {"ids": [b"0" * 32], "unit": [b"lux"]}, {"minus": [b"a,b"]}],
    "lot": [{"lot": [b"none"]}, {"page": [b"0"]}, {"lott": [b"1"]}, {"lot": [b"a", b"b"]}],
    "chart": [
        {"product": [b"none"], "spec": [b"none"], "requirement": [b"none"]},
        {"product": [b"p"], "spec": [b"s"], "requirement": [b"r"], "roll_up": [b"median"]},
        {"product": [b"p"], "spec": [b"s"], "requirement": [b"r"], "roll_up": [b"site"]},
    ],
    "bench": [{"instrument": [b"bench Z"]}, {"x": [b"1"]}],
    "intake": [{"outcome": [b"lost"]}, {"page": [b"1e9"]}],
    "mend": [{"file": [b"0" * 32]}, {"file": [b"a,b"]}, {"file": [b"!"]}, {"x": [b"1"]}],
    "specs": [
        {"spec": [b"none"]},
        {"before": [b"0" * 32]},
        {"what_if": [b"/etc/passwd.toml"]},
        {"before": [b"a"], "after": [b"b"]},
        {"x": [b"1"]},
    ],
    "instruments": [
        {"instrument": [b"bench Z"]},
        {"instrument": [b"bench A"], "figure": [b"colour"]},
        {"instrument": [b"bench A"], "check": [b"none"]},
        {"instrument": [b"bench A"], "since": [b"2026-03-09"], "until": [b"2026-03-02"]},
        {"on": [b"someday"]},
        {"x": [b"1"]},
    ],
    "look-back": [{}, {"instrument": [b"bench A"]}, {"instrument": [b"bench Z"]}, {"x": [b"1"]}],
    "compare": [
        {"first": [b"bench A"], "second": [b"bench A"]},
        {"first": [b"bench A"], "second": [b"bench Z"]},
        {"x": [b"1"]},
    ],
    "measurement": [{}, {"id": [b"0" * 32]}, {"id": [b"a", b"b"]}, {"spec": [b"s"]}],
}
NEEDING = ("measurement", "look-back")
"""Pages that answer only to an address that names something."""


@pytest.fixture(scope="module", autouse=True)
def _bokeh():
    hv.extension("bokeh")


def text_of(view) -> str:
    """Everything that a view says, its live texts included."""
    parts = [
        piece if isinstance(piece, str) else getattr(piece, "object", "") for piece in view.pieces
    ]
    return "".join(str(part) for part in parts)


def ask(archive, route: str, **entries: str) -> str:
    arguments = {name: [value.encode()] for name, value in entries.items()}
    return text_of(view_of(archive, route, arguments))


@pytest.mark.parametrize(
    ("route", "arguments"), [(route, each) for route, junk in JUNK.items() for each in junk]
)
def test_junk_in_the_address_gets_a_sentence(archive, route, arguments):
    text = text_of(view_of(archive, route, arguments))
    assert 'role="alert"' in text
    assert OUR_FAULT not in text
    assert len(text) < 1000


@pytest.mark.parametrize("route", [route for route in ROUTES if route not in NEEDING])
def test_every_page_answers_without_any_entry(archive, route):
    text = ask(archive, route)
    assert 'role="alert"' not in text
    assert text


def test_a_mistake_of_ours_becomes_a_sentence_and_goes_to_the_log(archive, monkeypatch, caplog):
    monkeypatch.setitem(ROUTES, "search", lambda _archive, _address: 1 / 0)
    assert OUR_FAULT in ask(archive, "search")
    assert "ZeroDivisionError" in caplog.text


def test_the_search_page_holds_one_page_of_rows_and_the_whole_query_in_its_links(archive):
    count = archive.count(product="camera window")
    text = ask(archive, "search", product="camera window", order="by sample")
    assert count > 25
    assert text.count('name="ids"') == 25
    assert f'<span class="count">{count}</span>' in text
    assert "search?product=camera+window&amp;order=by+sample&amp;page=2" in text
    last = ask(archive, "search", product="camera window", order="by sample", page="2")
    assert last.count('name="ids"') == min(count - 25, 25)


def test_a_day_in_the_address_means_that_day_in_the_archives_zone(archive):
    text = ask(archive, "search", since="2026-03-02", until="2026-03-02")
    first = datetime(2026, 3, 2, tzinfo=UTC)
    count = archive.count(since=first, until=datetime(2026, 3, 3, tzinfo=UTC))
    assert f'<span class="count">{count}</span>' in text
    assert count > 0


def test_names_that_users_wrote_are_text_on_every_page(archive):
    row = archive.find(serial=NASTY)
    assert row.height == 1
    key = row["measurement_id"][0]
    for text in (
        ask(archive, "search", serial=NASTY),
        ask(archive, "measurement", id=key),
        ask(archive, "overlay", ids=key),
        ask(archive, "search", text=NASTY),
        ask(archive, "overlay", sample=NASTY),
        ask(archive, "bench", instrument=NASTY),
    ):
        assert "<img" not in text


def test_a_measurement_tells_where_each_field_came_from_and_which_time_is_trusted(archive):
    panel = archive.find(product="cover panel", site="1", limit=1)
    text = ask(archive, "measurement", id=panel["measurement_id"][0])
    assert "from pattern panel sites" in text
    assert "from site map of the settings" in text
    assert "trusted" in text
    assert "Mean reflectance from 430 nm to 670 nm" in text


def test_the_overlay_says_in_words_what_the_picture_shows(archive):
    panels = archive.find(product="cover panel", limit=2)["measurement_id"].to_list()
    window = archive.find(product="camera window", limit=1)["measurement_id"].to_list()
    text = ask(archive, "overlay", ids=",".join([*panels, *window]))
    assert "3 spectra:" in text
    assert text.count('data-label="Time"') == 2, "repeats of one part are told apart by when"
    assert "1 spectrum is left out: %T cannot become %R" in text
    assert "cover panel: maximum reflectance from 430 nm to 670 nm, at most 1.0 %R" in text


def test_the_overlay_names_the_measurements_that_it_cannot_find(archive):
    panel = archive.find(product="cover panel", limit=1)["measurement_id"][0]
    missing = "0" * 32
    assert f"The archive holds no measurement {missing}." in ask(
        archive, "overlay", ids=f"{panel},{missing}"
    )


def test_a_page_on_deep_uv_scans_shows_the_caution(archive):
    key = archive.find(instrument="bench C", limit=1)["measurement_id"][0]
    for route, entries in (("overlay", {"ids": key}), ("measurement", {"id": key}), ("bench", {})):
        assert "no certification of protective equipment" in ask(archive, route, **entries)
    window = archive.find(product="camera window", limit=1)["measurement_id"][0]
    assert "certification" not in ask(archive, "measurement", id=window)


def test_the_bench_tells_what_the_part_still_lacks(archive):
    text = ask(archive, "bench", instrument="bench D")
    assert "bench D" in text
    assert "bench A" not in text


def test_the_intake_page_tells_how_far_a_long_file_has_come(archive, monkeypatch):
    state = FolderState("bench", "exports", under_way={"<run>.jdx": "3,120 spectra so far"})
    monkeypatch.setattr(archive, "watch_states", lambda: [state])
    assert "reading &lt;run&gt;.jdx: 3,120 spectra so far" in ask(archive, "intake")


def test_the_intake_page_lists_refusals_with_place_found_and_expected(archive):
    text = ask(archive, "intake", outcome="refused")
    refused = archive.files(outcome="refused")
    assert refused.height > 0
    for path in refused["path"]:
        assert str(Markup.escape(path)) in text
    assert "Found:" in text
    assert "Expected:" in text


def test_the_chart_page_lists_what_can_be_charted_and_draws_it(archive):
    listed = ask(archive, "chart")
    for each in archive.requirements():
        assert str(Markup.escape(each.description)) in listed
    text = ask(
        archive, "chart", product="camera window", spec="camera window", requirement="mean",
        per="coating_run",
    )  # fmt: skip
    assert "one point a coating run" in text
    assert "control limits" in text
    assert "(camera window, revision B): at least 99.25 %T" in text


def test_a_search_by_the_outcome_of_one_specification_says_whose_outcome_it_is(archive):
    asked = {"outcome": "pass", "spec": "camera window", "product": "camera window"}
    found = archive.find(**asked, limit=25)["measurement_id"]
    judged = archive.verdicts(found.to_list()).filter(spec="camera window, in-house")
    in_house = judged["measurement_id"].n_unique()
    text = ask(archive, "search", **asked)
    assert '<option value="camera window" selected>' in text
    assert found.len() == in_house == 25
    assert text.count("</svg>pass</span> (camera window)<") == 25
    assert text.count("</span> (camera window, in-house)<") == 25


def test_a_conflict_is_stated_on_both_measurements_with_a_link_to_the_other(archive):
    disputed = archive.find(in_conflict=True)
    (claim,) = [row for row in disputed.iter_rows(named=True) if row["conflict"]]
    (held,) = [row for row in disputed.iter_rows(named=True) if not row["conflict"]]
    for one, other, words in (
        (claim, held, "its values are the same as those of"),
        (held, claim, "its values are also claimed by"),
    ):
        for text in (
            ask(archive, "measurement", id=one["measurement_id"]),
            ask(archive, "intake"),
        ):
            assert f'{words} <a href="measurement?id={other["measurement_id"]}">' in text
    there, here = (Markup.escape(f"'{row['serial']}'") for row in (held, claim))
    text = ask(archive, "measurement", id=held["measurement_id"])
    assert f"serial {here} there, {there} here" in text
    text = ask(archive, "measurement", id=claim["measurement_id"])
    assert f"serial {there} there, {here} here" in text
    assert "This measurement is not judged: in conflict." in text


def test_what_is_not_judged_says_why(archive):
    blank = next(
        row
        for row in archive.find(outcome="not judged").iter_rows(named=True)
        if row["kind"] not in ("part", "witness", "unknown")
    )
    text = ask(archive, "search", file=blank["file"])
    assert f"not a part: {blank['kind']}" in text


def test_a_verdict_names_its_specification_with_the_revision(archive):
    key = archive.find(product="camera window", limit=1)["measurement_id"][0]
    assert "(camera window, revision " in ask(archive, "measurement", id=key)


def test_a_scan_time_is_not_passed_off_as_the_words_of_the_header(archive):
    for key in archive.find(limit=20)["measurement_id"]:
        text = ask(archive, "measurement", id=key)
        assert "the header says" not in text
        assert "read as 2026-" in text
        assert "with the zone" in text


def test_an_overlay_with_limits_begins_near_them_and_links_to_the_whole_spectrum(archive):
    key = archive.find(product="camera window", limit=1)["measurement_id"][0]
    assert f'<a href="overlay?ids={key}&amp;view=whole">Whole spectrum</a>' in ask(
        archive, "overlay", ids=key
    )
    whole = ask(archive, "overlay", ids=key, view="whole")
    assert f'<a href="overlay?ids={key}">Near the limits</a>' in whole
    assert "Whole spectrum" not in whole


def test_specifications_are_listed_with_what_they_are_for_and_who_approved_them(archive):
    text = ask(archive, "specs")
    assert "customer customer 1; product camera window" in text
    assert "op 9" in text and "2026-02-16" in text and "in effect" in text
    assert "None is kept" in text
    only = ask(archive, "specs", spec="cover panel")
    assert "cover panel" in only and "customer customer 1" not in only


def test_two_specifications_are_compared_in_words(archive):
    before, after = (
        archive.specification(name).version for name in ("camera window", "camera window, in-house")
    )
    text = ask(archive, "specs", before=before, after=after)
    assert "at_least raised from 99.25 %T to 99.50 %T (tighter)" in text
    assert link("specs", {"what_if": after}) in text
    assert "Both say the same" in ask(archive, "specs", before=before, after=before)


def test_what_a_specification_would_change_is_told_with_links_to_the_measurements(
    archive, tmp_path
):
    name = "camera window, in-house"
    same = what_if_text(archive.what_if(name))
    assert '<span class="count">0</span>' in same and "nothing was written" in same
    written = (archive.root / "specs/camera-window-in-house.toml").read_text("utf-8")
    draft = tmp_path / "draft.toml"
    draft.write_text(written.replace("99.50", "99.99"), "utf-8")
    found = archive.what_if(str(draft))
    assert found.changed_measurements > 0
    text = what_if_text(found)
    assert f'<span class="count">{found.changed_measurements}</span>' in text
    for key in found.changes["measurement_id"].head(LISTED):
        assert f'href="measurement?id={key}"' in text
