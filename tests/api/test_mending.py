"""Refused files looked into, formats tried on them, saved on record, and the files tried again."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from speclake.api import Archive
from speclake.api.events import NotAllowed
from speclake.api.mending import FIRST_LINES, LINES_AROUND, lines_of
from speclake.archive.rows import EventKind
from speclake.errors import BadSettings, NotFound
from tests.labs import FORMAT, export

UNKNOWN = """\
Probe;Q-7
Datum;04.05.2026 10:00:00
nm;%T
500,0;90,12
501,0;90,34
502,0;-0,05
503,0;91,00
504,0;91,20
"""
ANSWERS = {"values.unit": "%T", "axis.unit": "nm"}
BY = {"who": "op 2", "why": "a new export of the bench"}


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab") as archive:
        (archive.root / "formats/plain.toml").write_text(FORMAT, "utf-8")
        (tmp_path / "exports").mkdir()
        yield archive


def refused(lab: Archive, name: str, content: str | bytes) -> str:
    """Identifier of the ledger's line on an export that was refused."""
    file = lab.root.parent / "exports" / name
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    tally = lab.ingest([file])
    assert tally.counts == {"refused": 1}
    return tally.refused[0].file_id


def state_of(lab: Archive) -> tuple[int, list[str]]:
    head = lab.store.head()
    assert head is not None
    return head.number, sorted(path.name for path in (lab.root / "formats").iterdir())


def drafted(lab: Archive, key: str) -> str:
    study = lab.study(key)
    needed = {each.key: each.choices[0] for each in study.questions if each.is_needed}
    return lab.study(key, answers=needed).text


def test_a_file_that_nobody_reads_is_shown_with_a_draft_its_evidence_and_its_questions(lab):
    found = lab.study(refused(lab, "q7.csv", UNKNOWN))
    assert [line.text for line in found.lines][:2] == ["Probe;Q-7", "Datum;04.05.2026 10:00:00"]
    assert (found.reader, found.format) == ("", "")
    assert found.formats == ("plain",)
    said = {each.key: each for each in found.assumptions}
    assert said["text.delimiter"].value == ";"
    assert "rows" in said["text.delimiter"].evidence
    assert 'delimiter = ";"' in found.text


def test_answers_to_the_questions_fill_the_draft(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    text = lab.study(key, answers={"axis.medium": "vacuum"}).text
    assert '\nmedium = "vacuum"' in text
    assert '\nmedium = "vacuum"' not in lab.study(key).text


def test_a_preview_reads_the_numbers_and_takes_nothing_in(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    text = drafted(lab, key)
    before = state_of(lab)
    found = lab.preview(key, "bench-q", text)
    assert (found.trouble, found.count) == ("", 1)
    (spectra,) = found.sets
    assert spectra.axis.values.tolist() == [500, 501, 502, 503, 504]
    assert spectra.values.tolist() == [[90.12, 90.34, -0.05, 91.0, 91.2]]
    assert found.is_recognised
    assert [row.file_id for row in found.reach.refused] == [key]
    assert state_of(lab) == before


def test_a_preview_that_fails_marks_the_line_that_the_format_refuses(lab):
    key = refused(lab, "q7.csv", UNKNOWN.replace("503,0;91,00", "503,0;bad"))
    text = drafted(lab, refused(lab, "q8.csv", UNKNOWN))
    found = lab.preview(key, "bench-q", text)
    assert "'bad'" in found.trouble
    assert (found.count, found.spectra) == (0, ())
    (marked,) = [line for line in found.lines if line.is_refused]
    assert (marked.number, marked.text) == (7, "503,0;bad")


def test_the_format_that_recognises_a_refused_file_comes_as_it_is_written(lab):
    good = export("W1", 90.0, lab.root.parent / "exports").read_text("utf-8")
    found = lab.study(refused(lab, "W2.txt", good.replace("505\t92.0", "505\tOver")))
    assert found.format == "plain"
    assert found.text == FORMAT
    assert [line.text for line in found.lines if line.is_refused] == ["505→Over"]


def test_a_preview_tells_which_files_that_others_have_read_the_format_would_catch(lab):
    lab.ingest([export("W1", 90.0, lab.root.parent / "exports")])
    key = refused(lab, "q7.csv", UNKNOWN)
    greedy = drafted(lab, key).replace('file_name = "*.csv"', 'file_name = "*"')
    head, _, rest = greedy.partition("[text]")
    head = "\n".join(line for line in head.split("\n") if not line.startswith("text ="))
    found = lab.preview(key, "greedy", f"{head}[text]{rest}")
    assert [row.path for row in found.reach.caught] == ["W1.txt"]
    assert lab.preview(key, "bench-q", drafted(lab, key)).reach.caught == ()


def test_text_that_is_no_format_is_refused_with_its_line(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    with pytest.raises(BadSettings, match=r"bench-q\.toml, line 2, text\.colour"):
        lab.preview(key, "bench-q", '[text]\ncolour = "red"\n')
    with pytest.raises(BadSettings, match=r"bench-q\.toml, line 1"):
        lab.save_format("bench-q", "this is = = no TOML", **BY)
    assert state_of(lab)[1] == ["plain.toml"]


def test_a_saved_format_is_on_record_and_lets_the_refused_file_in(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    text = drafted(lab, key)
    saved = lab.save_format("bench-q", text, **BY)
    assert (lab.root / "formats/bench-q.toml").read_text("utf-8") == text
    (event,) = lab.events("bench-q")
    assert (event.kind, event.who, event.why) == (EventKind.SAVE_FORMAT, BY["who"], BY["why"])
    assert event.details["text"] == text
    assert event.details["version"] == saved.version
    assert lab.retry_refused(files=[key]).counts == {"taken": 1}
    (found,) = lab.measurements(lab.find()["measurement_id"].to_list())
    assert found.format == f"bench-q@{saved.version}"
    assert lab.study(key).since.outcome == "taken"
    assert lab.verify() == []


def test_a_retry_of_one_file_leaves_the_others_refused(lab):
    key, other = refused(lab, "q7.csv", UNKNOWN), refused(lab, "q8.csv", UNKNOWN + "505,0;92,00\n")
    lab.save_format("bench-q", drafted(lab, key), **BY)
    lab.retry_refused(files=[key])
    assert [row.file_id for row in lab.store.catalog.refused()] == [other]


def test_a_format_is_replaced_only_on_demand_and_the_one_before_stays_on_record(lab):
    lab.ingest([export("W1", 90.0, lab.root.parent / "exports")])
    changed = FORMAT.replace('lot = "Lot"\n', "")
    with pytest.raises(NotAllowed, match="'plain' is taken, and 1 measurement was read"):
        lab.save_format("plain", changed, **BY)
    assert (lab.root / "formats/plain.toml").read_text("utf-8") == FORMAT
    saved = lab.save_format("plain", changed, replace=True, **BY)
    assert saved.read_before == {saved.replaces: 1}
    (event,) = lab.events("plain")
    assert event.details["replaced text"] == FORMAT
    (read,) = lab.measurements(lab.find()["measurement_id"].to_list())
    assert read.format == f"plain@{saved.replaces}"


@pytest.mark.parametrize("name", ["", "../x", "a/b", ".hidden", "a b", "x" * 65, "Plain"])
def test_a_name_that_cannot_be_one_of_a_format_is_refused(lab, name):
    with pytest.raises(NotAllowed):
        lab.save_format(name, FORMAT, replace=True, **BY)
    assert state_of_files(lab) == ["plain.toml"]


def state_of_files(lab: Archive) -> list[str]:
    return sorted(path.name for path in (lab.root / "formats").iterdir())


def test_nothing_is_written_where_nobody_or_no_reason_is_named(lab):
    with pytest.raises(NotAllowed, match="who did it and why"):
        lab.save_format("bench-q", FORMAT, who=" ", why="new")
    assert state_of_files(lab) == ["plain.toml"]


def test_a_broken_format_of_the_archive_is_told_and_can_be_mended(lab):
    key = refused(lab, "q7.csv", UNKNOWN)
    (lab.root / "formats/torn.toml").write_text("[text\n", "utf-8")
    found = lab.study(key, format="torn")
    assert found.text == "[text\n"
    assert "torn.toml, line 1" in found.broken[0]
    lab.save_format("torn", drafted(lab, key), replace=True, **BY)
    assert lab.study(key).broken == ()


def test_only_a_refused_file_can_be_studied(lab):
    lab.ingest([export("W1", 90.0, lab.root.parent / "exports")])
    taken = lab.files()["file_id"][0]
    with pytest.raises(NotAllowed, match="expected a refused one"):
        lab.study(taken)
    with pytest.raises(NotFound):
        lab.study("0" * 32)
    with pytest.raises(NotFound, match="found no format 'none'"):
        lab.study(refused(lab, "q7.csv", UNKNOWN), format="none")


def test_lines_of_bytes_that_are_no_text_of_a_proven_encoding_show_the_bytes():
    lines, how = lines_of("Wellenlänge;Küvette\n1;2\n".encode("cp1252"), "")
    assert lines[0].text == r"Wellenl\xe4nge;K\xfcvette"
    assert r"\xNN" in how
    assert lines_of("Länge\tT\r\n".encode("utf-16"), "")[0][0].text == "Länge→T"
    assert lines_of(b"PK\x03\x04\x00\x00\n", "") == ((), "It is no text: it holds zero bytes.")
    assert lines_of(b"\x1b[31mred\n", "")[0][0].text == r"\x1b[31mred"


def test_lines_around_a_refusal_far_down_are_shown_after_the_first_ones():
    content = "".join(f"row {n}\n" for n in range(1, 201)).encode()
    numbers = [line.number for line in lines_of(content, "block 2, line 150")[0]]
    first = list(range(1, FIRST_LINES + 1))
    assert numbers == first + list(range(150 - LINES_AROUND, 150 + LINES_AROUND + 1))
