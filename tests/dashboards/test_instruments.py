"""The pages of instruments, on bench E of the demo, whose glass once showed a shift."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import holoviews as hv
import pytest
from speclake_dashboards import taken
from speclake_dashboards.app import ROUTES, view_of
from speclake_dashboards.courses import Course, Point
from speclake_dashboards.deskwork import LogDesk, ReviewDesk
from speclake_dashboards.taken import summary
from speclake_dashboards.verdicts import Explained, reasons_once

from speclake.api import instruments as standing_now
from speclake.specs.verdicts import Outcome

BENCH = {"instrument": "bench E"}
CHECK = {**BENCH, "programme": "bench E, transmittance", "check": "rare-earth glass"}
FAILED = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def bench_e(tmp_path_factory: pytest.TempPathFactory) -> Iterator[object]:
    """Archive of all that bench E scans in the ten weeks, with what people say of it."""
    from speclake_demo import generate

    from speclake import demo

    hv.extension("bokeh")
    folder = tmp_path_factory.mktemp("bench E")
    opened = demo.prepared(folder)
    exports = folder / "exports"
    for drop in generate.exports():
        if drop.path.startswith("bench_e/"):
            generate.put(drop, exports)
    _put_stuck_twin(next(exports.rglob("EF2-01.csv")))
    opened.ingest([exports / "bench_e"])
    demo.put_on_record(opened)
    yield opened
    opened.close()


def _put_stuck_twin(scan: Path) -> None:
    """The same scan of another filter, stuck at one value over twenty points."""
    lines = scan.read_text("ascii").replace("EF2-01", "EF2-09").split("\n")
    stuck = re.compile("(7[01][0-9]),[0-9.]+")
    altered = [stuck.sub(r"\1,104.5000", line) for line in lines]
    assert altered != lines
    scan.with_name("EF2-09.csv").write_text("\n".join(altered), "ascii")


def ask(archive, route: str, *, is_local: bool = False, **entries: str) -> str:
    arguments = {name: [value.encode()] for name, value in entries.items()}
    view = view_of(archive, route, arguments, is_local=is_local)
    parts = [
        piece if isinstance(piece, str) else getattr(piece, "object", "") for piece in view.pieces
    ]
    return "".join(map(str, parts))


def view(archive, when: datetime | None = None):
    found = standing_now.instruments(archive, when or datetime(2026, 5, 9, tzinfo=UTC))
    return next(each for each in found if each.instrument == "bench E")


def test_every_instrument_is_told_with_state_and_reason(bench_e):
    text = ask(bench_e, "instruments", on="2026-05-04")
    assert "rare-earth glass failed on 2026-05-04" in text.lower()
    assert "runs on it prove nothing" in text  # the certificate of the grey filter has ended


def test_an_instrument_is_shown_as_it_stood_on_a_day(bench_e):
    assert "every check has passed" in ask(bench_e, "instruments", on="2026-05-01", **BENCH).lower()
    on_the_day = ask(bench_e, "instruments", on="2026-05-04", **BENCH)
    assert "look-back?instrument=bench+E" in on_the_day
    assert "As things stood at the end of 2026-05-04" in on_the_day
    assert "+0.80" in on_the_day


def test_an_invented_archive_stands_still_at_its_last_scan(bench_e):
    last = bench_e.find(sort="trusted_at", descending=True, limit=1)["trusted_at"][0]
    assert f"As things stood on {last:%Y-%m-%d}" in ask(bench_e, "instruments", **BENCH)


def test_what_came_after_a_day_is_left_out_and_a_day_to_come_is_refused(bench_e):
    early = ask(bench_e, "instruments", on="2026-04-20")
    assert "As things stood at the end of 2026-04-20" in early
    count = bench_e.count(instrument="bench E", until=datetime(2026, 4, 20, 23, tzinfo=UTC))
    assert 0 < count < bench_e.count(instrument="bench E")
    assert f'>bench E</a> <span class="quiet small">{count} scans' in early
    assert "realignment, 2026-05-04" not in early
    assert "which is yet to come" in ask(bench_e, "instruments", on="2999-01-01")


def test_certificate_that_ends_soon_says_so(bench_e):
    assert "<strong>ends in 10 days</strong>" in ask(bench_e, "instruments", on="2026-04-20")
    assert "ends in" not in ask(bench_e, "instruments", on="2026-03-20")


@pytest.mark.parametrize(
    ("uncertainty", "texts"),
    [
        (0.1555, ("431.23", "0.80", "0.16")),
        (0.000882, ("431.22700", "0.80460", "0.00088")),
        (12.0, ("431", "1", "12")),
        (None, ("431.227", "0.8046", "")),
    ],
)
def test_numbers_of_a_run_end_where_their_uncertainty_does(uncertainty, texts):
    row = {
        "what": "band positions", "at": 431.227, "expected": 430.4224, "value": 431.227,
        "error": 0.8046, "uncertainty": uncertainty, "low": -0.5, "high": 0.5, "unit": "nm",
        "outcome": "fail", "reason": "", "standard": "", "certificate": "",
    }  # fmt: skip
    told = taken.told(row)
    assert (told["value"], told["error"], told["uncertainty"]) == texts
    assert told["at"] == "430.422 nm", "the band's own place, not where it was found"


def test_states_over_time_are_told_in_words(bench_e):
    text = ask(bench_e, "instruments", **BENCH)
    for words in ("unfit", "unknown", "rare-earth glass has not passed yet", "realignment"):
        assert words in text
    assert "Their verdicts" not in text


def test_numbers_of_a_check_stand_in_a_table_with_their_limits(bench_e):
    text = ask(bench_e, "instruments", **CHECK)
    assert text.count('data-label="Expected"') == 8
    assert "−0.5 to 0.5 nm" in text
    assert "What a failure put in doubt" in text
    assert "instruments?instrument=bench+E&amp;programme=bench+E,+transmittance" in text
    one = ask(bench_e, "instruments", at="585.2", **CHECK)
    assert "control limits" in one
    assert "after the realignment" in one


def test_a_failure_stays_told_until_each_scan_was_put_aside_or_released(bench_e):
    ids = bench_e.find(lot="EF4", limit=None)["measurement_id"].to_list()
    open_now = "rare-earth glass failed on 2026-05-04 (last pass 2026-04-27, next pass 2026-05-05)"
    pages = {"instruments": {}, "instruments of one": BENCH, "bench": BENCH}
    for page, entries in pages.items():
        text = ask(bench_e, page.split()[0], **entries)
        assert "fit</span>" in text, "the check has passed again"
        assert f"{open_now[1:]}: 2 of 2 scans in doubt are neither" in text, page
        assert "reports on them: 26-014" in text
        assert "failed=2026-05-04T" in text
    assert open_now[1:] not in ask(bench_e, "instruments", on="2026-05-01")
    told = ask(bench_e, "measurement", id=ids[0])
    assert "this scan was made after its last pass on 2026-04-27 and before its next on" in told
    assert "Nobody has put it aside or released it since." in told
    bench_e.put_aside(ids[:1], who="op 9", why="a lamp flickered", failure="another check failed")
    assert "2 of 2 scans in doubt are" in ask(bench_e, "instruments", **BENCH)
    bench_e.release(ids[:1], who="op 9", why="it was dust", of="another check failed")
    assert "2 of 2 scans in doubt are" in ask(bench_e, "instruments", **BENCH)
    bench_e.put_aside(ids[:1], who="op 9", why="it failed")
    bench_e.release(ids[:1], who="op 9", why="looked at")
    assert "1 of 2 scans in doubt is neither" in ask(bench_e, "instruments", **BENCH)
    assert "Somebody has put it aside or released it" in ask(bench_e, "measurement", id=ids[0])
    bench_e.put_aside(ids[1:], who="op 9", why="it failed")
    for page, entries in pages.items():
        assert open_now[1:] not in ask(bench_e, page.split()[0], **entries)
    bench_e.release(ids[1:], who="op 9", why="looked at")


def test_look_back_from_an_earlier_failure_has_an_address_of_its_own(bench_e):
    found = bench_e.qualifications(instrument="bench E").filter(outcome="fail")
    at = found["taken_at"][-1].isoformat()
    assert ask(bench_e, "look-back", failed=at, **CHECK) == ask(bench_e, "look-back", **CHECK)
    assert 'role="alert"' in ask(bench_e, "look-back", failed="2026-05-03", **CHECK)


def test_look_back_lists_scans_reports_and_what_could_change(bench_e):
    text = ask(bench_e, "look-back", is_local=True, **CHECK)
    assert "wavelength shift of 0.8" in text
    assert "<strong>26-014</strong>" in text and "customer 2" in text
    assert text.count('data-label="Scan"') == 2
    assert text.index("EF4-02") < text.index("EF4-01"), "what could change comes first"
    assert re.search("could become (undecided, )?pass", text)


def test_writing_is_offered_only_to_this_machine(bench_e):
    assert "speclake put-aside" in ask(bench_e, "look-back", **CHECK)
    assert "speclake log-instrument" in ask(bench_e, "instruments", **BENCH)
    assert "speclake put-aside" not in ask(bench_e, "look-back", is_local=True, **CHECK)


def test_scans_are_put_aside_in_one_action_and_released_with_a_reason(bench_e):
    ids = bench_e.find(product="edge filter", lot="EF2", limit=None)["measurement_id"].to_list()
    desk = ReviewDesk(bench_e, ids, [], why="a trial", is_local=True)
    desk.aside.clicks += 1
    assert 'role="alert"' in desk.said[0].object, "nobody is named"
    desk.who.value = "op 9"
    desk.aside.clicks += 1
    assert f"Recorded: {len(ids)} measurements put aside." in desk.said[0].object
    bench_e.refresh()
    assert bench_e.count(in_review=True) == len(ids)
    assert "under review" in ask(bench_e, "measurement", id=ids[0])
    assert "not measurable" in ask(bench_e, "measurement", id=ids[1])
    assert '<a href="">open the page again</a>' in desk.said[0].object
    assert (desk.aside.visible, desk.free.label) == (False, f"Release {len(ids)} measurements")
    bench_e.release(ids[:1], who="op 3", why="beside the page")
    free = ReviewDesk(bench_e, [], ids, why="another trial", is_local=True)
    assert free.why_free.value == "", "why it was put aside is no reason to release it"
    free.who.value = "op 9"
    free.free.clicks += 1
    assert 'role="alert"' in free.said[0].object, "no reason is named"
    free.why_free.value = "looked at"
    late = ReviewDesk(bench_e, [], ids, is_local=True)
    free.free.clicks += 1
    said = free.said[0].object
    assert f"Recorded: {len(ids) - 1} measurements released." in said
    assert '<a href="">open the page again</a>' in said
    assert (free.free.visible, free.aside.visible) == (False, True)
    bench_e.refresh()
    assert bench_e.count(in_review=True) == 0
    late.who.value, late.why_free.value = "op 9", "looked at"
    late.free.clicks += 1
    assert "Nothing was recorded. 3 measurements are under review for that no longer" in (
        late.said[0].object
    )


def test_only_what_was_put_aside_for_one_reason_is_released(bench_e):
    one, two, three = bench_e.find(product="edge filter", lot="EF2", limit=3)["measurement_id"]
    bench_e.put_aside([one], who="op 1", why="a scratch")
    desk = ReviewDesk(
        bench_e, [two, three], [one], changing=[three], why="it failed", is_local=True
    )
    desk.who.value = "op 9"
    assert desk.some.label == "Put aside the 1 that could change"
    desk.some.clicks += 1
    bench_e.refresh()
    assert bench_e.store.catalog.under_review([one, two, three]) == {one, three}
    assert desk.aside.label == "Put 1 measurement aside"
    assert desk.reason.options == ["a scratch (op 1)", "it failed (op 9)"]
    assert desk.reason.value == "a scratch (op 1)"
    desk.reason.value = "it failed (op 9)"
    assert desk.free.label == "Release 1 measurement"
    desk.why_free.value = "values move by less than their margin"
    desk.free.clicks += 1
    bench_e.refresh()
    assert bench_e.store.catalog.under_review([one, two, three]) == {one}
    bench_e.release([one], who="op 1", why="it was dust")


def test_log_takes_work_with_its_time_and_range_and_refuses_nonsense(bench_e):
    desk = LogDesk(bench_e, view(bench_e), is_local=True)
    desk.what.value, desk.who.value, desk.why.value = "lamp hours", "op 4", "monthly reading"
    desk.when.value = "yesterday"
    desk.record.clicks += 1
    assert "expected one such as 2026-12-31 17:00" in desk.said[0].object
    desk.when.value, desk.low.value = "2026-05-06 12:00", "blue"
    desk.record.clicks += 1
    assert "expected a number of nm" in desk.said[0].object
    desk.low.value, desk.high.value = "400", "500"
    desk.record.clicks += 1
    assert "Recorded: lamp hours of bench E, 2026-05-06 12:00" in desk.said[0].object
    bench_e.refresh()
    last = view(bench_e).log[-1]
    assert (last.what, last.range_nm, last.who) == ("lamp hours", (400.0, 500.0), "op 4")
    assert last.when == datetime(2026, 5, 6, 11, tzinfo=UTC), "wall clock of the archive's zone"


def test_measurement_tells_the_state_of_its_instrument_and_the_report_it_is_on(bench_e):
    (key,) = bench_e.find(serial="EF4-01", limit=1)["measurement_id"]
    text = ask(bench_e, "measurement", id=key)
    assert "when it was scanned" in text
    assert "On report 26-014 to customer 2" in text


def test_instrument_tells_how_many_scans_each_check_found_something_on(bench_e):
    text = ask(bench_e, "instruments", **BENCH)
    assert "finding=saturation" in text
    assert ">saturation</a>: 1 scan <" in text
    steps = ask(bench_e, "instruments", figure="step", **BENCH)
    assert "has such a number" in steps or "No blank is among these scans" in steps
    (key,) = bench_e.find(serial="EF2-09")["measurement_id"]
    told = ask(bench_e, "measurement", id=key)
    assert "Saturation" in told and "700 to 719 nm" in told


def test_bench_tells_the_state_beside_the_last_scan(bench_e):
    text = ask(bench_e, "bench", **BENCH)
    assert ">bench E, transmittance</a>" in text
    assert "fit</span>" in text


def test_a_reason_that_verdicts_share_is_told_once():
    told = "state of bench 1 is unfit since 2026-11-25: the grey filter failed"
    said = [
        Explained(outcome, f"{name}, because {told}.", "window", name, "", f"mean {name}", told)
        for name, outcome in (
            ("red", Outcome.NOT_MEASURABLE), ("blue", Outcome.NOT_MEASURABLE),
            ("green", Outcome.FAIL),
        )
    ]  # fmt: skip
    red, blue, green = reasons_once(said)
    assert (red, green) == (said[0], said[2])
    assert blue.sentence == "Mean blue: not measurable, for the same reason (window)."


def test_scans_under_review_are_asked_for_in_the_search_form(bench_e):
    (key,) = bench_e.find(serial="EF2-01", limit=1)["measurement_id"]
    bench_e.put_aside([key], who="op 1", why="a scratch")
    text = ask(bench_e, "search", in_review="yes")
    assert '<select name="in_review">' in text
    assert ">1</span> measurement found" in text
    bench_e.release([key], who="op 1", why="dust")


def test_comparison_needs_pieces_that_both_have_measured(bench_e):
    text = ask(bench_e, "compare", first="bench E", second="bench A")
    assert 'role="alert"' in text
    assert "found 0 pieces" in text
    assert 'href="compare"' in text and 'href="instruments"' in text
    title = view_of(bench_e, "look-back", {}).title
    assert title == "Looking back"


@pytest.mark.parametrize(
    ("count", "words"),
    [(1, "1 scan, median 2 %T"), (7, "7 scans, median 2 %T; of the last 5, 2 %T")],
)
def test_course_is_told_in_a_sentence(count, words):
    points = tuple(Point(FAILED, 2.0) for _ in range(count))
    assert summary(Course("x", points), "%T") == words


def test_cautions_stand_where_lamps_and_purging_are_spoken_of(bench_e):
    text = ask(bench_e, "instruments", instrument="bench C")
    assert "Nitrogen and other purge gases" in text
    assert "makes ozone" in text
    assert "ozone" not in ask(bench_e, "instruments", instrument="bench D")


def test_pages_are_reached_from_the_bar_and_from_one_another(bench_e):
    assert {"instruments", "look-back", "compare"} <= set(ROUTES)
    assert 'href="compare"' in ask(bench_e, "instruments")
    assert "measurement?id=" in ask(bench_e, "look-back", **CHECK)
