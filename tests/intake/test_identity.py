"""New, repeated, re-exported or in conflict: decided from content and identity, never the name."""

from dataclasses import replace
from datetime import UTC, datetime

from speclake.intake.identity import Known, rule
from speclake.measurement import LinkKind, Measurement, measurement_id

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
BASE = Measurement(
    measurement_id="",
    file_id="f1",
    file="run1.txt",
    place="",
    importer="columns",
    importer_version="1",
    scan_sha256="scan-1",
    values_sha256="values-1",
    quantity="transmittance",
    unit="%T",
    axis_id="axis",
    axis_unit="nm",
    points=2,
    axis_first=400.0,
    axis_last=500.0,
    scan_direction="ascending",
    sample="S1",
    site="12",
    scanned_at=NOON,
    scanned_text="2026-05-04T12:00:00Z",
    scanned_precision_s=1.0,
    arrived_at=NOON,
    trusted_at=NOON,
    trusted_time="scanned",
)


def scan(**changes: object) -> Measurement:
    m = replace(BASE, **changes)  # type: ignore[arg-type] # fields by name
    name = measurement_id(m.scan_sha256, m.place, m.identity, (m.importer, m.importer_version, ""))
    return replace(m, measurement_id=name)


def known(*earlier: Measurement) -> Known:
    state = Known()
    for m in earlier:
        state.add("bench", m)
    return state


def test_same_scan_in_the_same_file_again_is_repeated() -> None:
    ruling = rule("bench", scan(file_id="f2"), known(scan()))
    assert ruling.measurement is None
    assert "held already" in ruling.remark


def test_same_scan_under_another_name_is_repeated_and_names_the_first() -> None:
    copied = scan(file_id="f2", file="copy.txt", place="block 1")
    assert rule("bench", copied, known(scan())).remark.endswith("run1.txt")


def test_same_bytes_under_two_sites_are_a_conflict_that_is_kept() -> None:
    ruling = rule("bench", scan(file_id="f2", file="run2.txt", site="13"), known(scan()))
    assert ruling.is_conflict and ruling.measurement is not None
    assert "site '12' there, '13' here" in (ruling.measurement.conflict or "")
    assert ruling.measurement.links[-1].target == scan().measurement_id


def test_same_values_at_another_stated_time_are_new_and_remarked() -> None:
    later = scan(file_id="f2", scan_sha256="s2", site="13", scanned_at=NOON.replace(hour=13))
    ruling = rule("bench", later, known(scan()))
    assert not ruling.is_conflict and ruling.measurement is not None
    assert ruling.measurement.links[-1].kind is LinkKind.SAME_VALUES_AS


def test_file_name_used_again_for_another_scan_is_a_new_measurement() -> None:
    other = scan(file_id="f2", scan_sha256="s2", values_sha256="v2", sample="S2")
    ruling = rule("bench", other, known(scan()))
    assert ruling.measurement is not None and ruling.measurement.links == ()
    assert "used before for another scan" in ruling.remark


def test_re_export_of_one_scan_supersedes_with_its_evidence() -> None:
    again = scan(file_id="f2", scan_sha256="s2", values_sha256="v2")
    ruling = rule("bench", again, known(scan()))
    assert ruling.measurement is not None
    (link,) = ruling.measurement.links
    assert (link.kind, link.target) == (LinkKind.SUPERSEDES, scan().measurement_id)
    assert "sample and scan time" in link.evidence


def test_a_bare_date_is_no_evidence_for_a_re_export() -> None:
    day = {"scanned_precision_s": 86_400.0}
    again = scan(file_id="f2", scan_sha256="s2", values_sha256="v2", **day)
    ruling = rule("bench", again, known(scan(**day)))
    assert ruling.measurement is not None and ruling.measurement.links == ()


def test_two_equal_blocks_of_one_file_are_both_kept() -> None:
    first, second = scan(place="block 1"), scan(place="block 2")
    ruling = rule("bench", second, known(first))
    assert ruling.measurement is not None and not ruling.is_conflict
    assert ruling.measurement.links[-1].kind is LinkKind.SAME_VALUES_AS


def test_grown_file_repeats_its_old_scans_and_adds_the_new_one() -> None:
    old = scan(place="block 1")
    state = known(old)
    grown = [
        scan(file_id="f2", place="block 1"),
        scan(file_id="f2", place="block 2", scan_sha256="s2", values_sha256="v2", site="13"),
    ]
    rulings = [rule("bench", m, state) for m in grown]
    assert [r.measurement is not None for r in rulings] == [False, True]
    assert not any(r.is_conflict for r in rulings)


def test_scan_saved_again_with_a_comment_supersedes_the_first() -> None:
    again = scan(file_id="f2", scan_sha256="s2", comment="checked")
    ruling = rule("bench", again, known(scan()))
    assert ruling.measurement is not None
    assert [link.kind for link in ruling.measurement.links] == [LinkKind.SUPERSEDES]


def test_grown_file_whose_header_counts_its_scans_still_repeats_them() -> None:
    state = known(scan(place="block 1"), scan(place="block 2", values_sha256="v2", site="13"))
    recounted = scan(file_id="f2", place="block 1", scan_sha256="other header")
    assert rule("bench", recounted, state).measurement is None


LATER = NOON.replace(hour=13)


def test_site_filled_in_at_the_second_save_supersedes_and_is_no_conflict() -> None:
    first = scan(site=None, saved_at=NOON)
    again = scan(file_id="f2", scan_sha256="s2", saved_at=LATER)
    ruling = rule("bench", again, known(first))
    assert not ruling.is_conflict and ruling.measurement is not None
    assert [link.kind for link in ruling.measurement.links] == [LinkKind.SUPERSEDES]


def test_second_save_without_the_site_is_told_it() -> None:
    again = scan(
        file_id="f2", scan_sha256="s2", values_sha256="v2", site=None, comment="x", saved_at=LATER
    )
    ruling = rule("bench", again, known(scan(comment=None, smoothed=True, saved_at=NOON)))
    assert ruling.handed_on == {"site": "12"}
    (event,) = ruling.events
    assert (event.subject, event.details) == (again.measurement_id, {"site": "12"})


def test_older_state_that_comes_later_is_superseded_at_once() -> None:
    newer = scan(saved_at=LATER)
    older = scan(file_id="f2", scan_sha256="s2", values_sha256="v2", saved_at=NOON)
    state = known(newer)
    ruling = rule("bench", older, state)
    assert ruling.measurement is not None and ruling.measurement.links == ()
    (event,) = ruling.events
    assert event.subject == newer.measurement_id
    assert event.details == {"kind": "supersedes", "target": older.measurement_id}
    assert older.measurement_id in state.aside


def zero_line(**changes: object) -> Measurement:
    unknown = {"sample": None, "site": None, "scanned_at": None, "scanned_text": None}
    return scan(**({**unknown, "kind": "zero line"} | changes))


def test_equal_zero_lines_with_other_headers_are_both_kept() -> None:
    other = zero_line(file_id="f2", file="b.txt", scan_sha256="s2")
    ruling = rule("bench", other, known(zero_line()))
    assert ruling.measurement is not None and not ruling.is_conflict
    again = rule("bench", replace(other, file="run1.txt"), known(zero_line()))
    assert again.measurement is not None
    assert [link.kind for link in again.measurement.links] == [LinkKind.SAME_VALUES_AS]


def test_equal_zero_lines_of_two_instruments_are_a_conflict_and_never_repeated() -> None:
    other = zero_line(file_id="f2", file="b.txt", instrument="B")
    ruling = rule("bench", other, known(zero_line(instrument="A")))
    assert ruling.is_conflict and ruling.measurement is not None


def test_equal_zero_lines_of_two_days_are_new_without_a_time_zone() -> None:
    day, next_day = ("2026-05-04T08:00:00", "2026-05-05T08:00:00")
    other = zero_line(file_id="f2", scan_sha256="s2", scanned_text=next_day)
    ruling = rule("bench", other, known(zero_line(scanned_text=day)))
    assert ruling.measurement is not None and not ruling.is_conflict
    assert [link.kind for link in ruling.measurement.links] == [LinkKind.SAME_VALUES_AS]


def test_conflict_names_every_twin_that_counts_and_no_superseded_one() -> None:
    gone, two = scan(site="1"), scan(site="2", file="2.txt")
    three = scan(site="3", file="3.txt")
    state = known(gone, two, three)
    state.aside.add(gone.measurement_id)
    ruling = rule("bench", scan(file_id="f9", file="9.txt", site="9"), state)
    assert ruling.is_conflict and ruling.measurement is not None
    targets = [link.target for link in ruling.measurement.links]
    assert targets == [two.measurement_id, three.measurement_id]


def test_copy_that_knows_more_is_repeated_and_its_knowledge_remarked() -> None:
    copied = scan(file_id="f2", file="L7/copy.txt", lot="L7")
    ruling = rule("bench", copied, known(scan()))
    assert ruling.measurement is None and "only here: lot 'L7'" in ruling.remark
