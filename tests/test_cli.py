"""The command line as a program and a person use it: output, JSON, exit codes."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from speclake.api import Archive
from tests.labs import SPEC, export, write_files


def speclake(*words: str | Path, code: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-c", "from speclake.cli import main; main()", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == code, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    return done.stdout + done.stderr


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    root = tmp_path / "lab"
    speclake("new", root, "--name", 'The "best" lab')
    write_files(root)
    return root


def test_day_of_a_lab_from_export_to_verdict(lab: Path, tmp_path: Path) -> None:
    good, bad = export("S1", 91.5, tmp_path), export("S2", 89.9, tmp_path)
    told = json.loads(speclake("ingest", "-a", lab, "--json", good, bad))
    assert told["files"] == {"taken": 2}
    assert told["verdicts"] == {"pass": 1, "fail": 1}
    found = json.loads(speclake("find", "-a", lab, "--outcome", "fail", "--json"))
    assert found["count"] == 1
    assert "1 of 1" in speclake("find", "-a", lab, "--outcome", "fail", "--until", "2026-05-04")
    assert "0 of 0" in speclake("find", "-a", lab, "--until", "2026-05-03")
    (row,) = found["measurements"]
    assert (row["sample"], row["lot"], row["outcome"]) == ("S2", "L1", "fail")
    shown = speclake("show", "-a", lab, row["measurement_id"])
    assert "found 89.9" in shown and "fail" in shown
    lot = json.loads(speclake("show", "-a", lab, "--lot", "L1", "--json"))
    assert lot["outcome"] == "fail" and len(lot["parts"]) == 2


def test_same_files_again_are_known_to_the_ledger(lab: Path, tmp_path: Path) -> None:
    file = export("S1", 91.5, tmp_path)
    speclake("ingest", "-a", lab, file)
    assert "none new" in speclake("ingest", "-a", lab, file)


def test_refused_file_ends_with_code_one_and_says_why(lab: Path, tmp_path: Path) -> None:
    file = tmp_path / "half.txt"
    file.write_text("Sample: S1\nnm\t%T\n500\t91.2\n501\t91", "utf-8")
    said = speclake("ingest", "-a", lab, file, code=1)
    assert "half.txt, line 4" in said and "expected" in said


def test_refused_file_is_taken_once_its_format_is_right(lab: Path, tmp_path: Path) -> None:
    file = export("S1", 91.5, tmp_path)
    right = (lab / "formats/plain.toml").read_text("utf-8")
    (lab / "formats/plain.toml").write_text(right.replace('"."', '","'), "utf-8")
    speclake("ingest", "-a", lab, file, code=1)
    (lab / "formats/plain.toml").write_text(right, "utf-8")
    file.unlink()
    assert json.loads(speclake("retry", "-a", lab, "--json"))["files"] == {"taken": 1}
    assert json.loads(speclake("find", "-a", lab, "--json"))["count"] == 1


def test_backfill_gives_no_verdicts_unless_asked(lab: Path, tmp_path: Path) -> None:
    speclake("ingest", "-a", lab, "--backfill", export("S1", 91.5, tmp_path))
    assert json.loads(speclake("find", "-a", lab, "--json"))["measurements"][0]["outcome"] is None
    told = speclake("ingest", "-a", lab, "--backfill", "--verdicts", export("S2", 92.5, tmp_path))
    assert "1 pass" in told


def test_judging_again_with_a_tighter_limit_adds_verdicts(lab: Path, tmp_path: Path) -> None:
    speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path))
    tighter = SPEC.replace('"90.0"', '"95.0"')
    (lab / "specs/plate.toml").write_text(tighter, "utf-8")
    again = ["judge", "-a", lab, "--lot", "L1", "--who", "op 1", "--why", "limit tightened"]
    assert "1 pass" in speclake(*again), "an open lot keeps the specification it was begun with"
    speclake("adopt", "-a", lab, "L1", "plate", "--who", "op 1", "--why", "agreed")
    assert "1 fail" in speclake(*again, code=1)


def test_assigning_a_field_later_is_an_event_and_brings_the_verdict(
    lab: Path, tmp_path: Path
) -> None:
    file = export("S1", 91.5, tmp_path)
    file.write_text(file.read_text("utf-8").replace("Product: plate\n", ""), "utf-8")
    speclake("ingest", "-a", lab, file)
    (row,) = json.loads(speclake("find", "-a", lab, "--unassigned", "--json"))["measurements"]
    name = row["measurement_id"]
    speclake("assign", "-a", lab, name, "-f", "product=plate", "--who", "op 1", "--why", "label")
    shown = json.loads(speclake("show", "-a", lab, name, "--json"))
    assert shown["product"] == "plate" and shown["unresolved"] == []
    assert "op 1: assign" in shown["events"][0]
    assert "pass" in shown["verdicts"][0]


def test_withdrawn_measurement_is_hidden_and_comes_back(lab: Path, tmp_path: Path) -> None:
    speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path))
    name = json.loads(speclake("find", "-a", lab, "--json"))["measurements"][0]["measurement_id"]
    speclake("withdraw", "-a", lab, name, "--who", "op 1", "--why", "wrong side")
    assert json.loads(speclake("find", "-a", lab, "--json"))["count"] == 0
    speclake("reinstate", "-a", lab, name, "--who", "op 1", "--why", "right side")
    assert json.loads(speclake("find", "-a", lab, "--json"))["count"] == 1


def test_exports_hold_the_values_as_they_came(lab: Path, tmp_path: Path) -> None:
    file = export("S1", 91.5, tmp_path)
    speclake("ingest", "-a", lab, file)
    speclake("export", "-a", lab, tmp_path / "out.csv", "--lot", "L1")
    lines = (tmp_path / "out.csv").read_text("utf-8").splitlines()
    assert lines[1] == "500.0,91.5" and len(lines) == 12
    speclake("export", "-a", lab, tmp_path / "same.txt", "--lot", "L1", "--what", "original")
    assert (tmp_path / "same.txt").read_bytes() == file.read_bytes()
    speclake("export", "-a", lab, tmp_path / "v.csv", "--lot", "L1", "--what", "verdicts")
    assert "green" in (tmp_path / "v.csv").read_text("utf-8")
    speclake("export", "-a", lab, tmp_path / "s.parquet", "--lot", "L1")
    said = speclake("export", "-a", lab, tmp_path / "s.doc", "--lot", "L1", code=2)
    assert "'.doc'" in said


def test_archive_is_verified_rebuilt_sealed_and_cleaned(lab: Path, tmp_path: Path) -> None:
    speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path))
    assert "whole up to commit" in speclake("verify", "-a", lab)
    assert "1 measurements" in speclake("rebuild", "-a", lab)
    assert "sealed" in speclake("seal", "-a", lab, "--before", "2999-01-01")
    assert "left-overs removed" in speclake("clean", "-a", lab)
    next((lab / "batches").rglob("originals.zip")).write_bytes(b"")
    assert "damaged" in speclake("verify", "-a", lab, code=1)


def test_describe_reads_a_known_file_and_drafts_a_format_for_another(
    lab: Path, tmp_path: Path
) -> None:
    said = speclake("describe", "-a", lab, export("S1", 91.5, tmp_path))
    assert "format plain" in said and "transmittance in %T" in said
    unknown = tmp_path / "other.dat"
    unknown.write_text("wavelength;%R\n400,5;4,25\n401,0;4,26\n401,5;4,27\n", "utf-8")
    drafted = speclake("describe", "-a", lab, unknown, code=1)
    assert "[text]" in drafted and 'decimal_sign = ","' in drafted
    answered = speclake("describe", "-a", lab, unknown, "--answer", "axis.unit=nm", code=1)
    assert "3 points from 400.5 to 401.5 nm" in answered and 'unit = "nm"  # answered' in answered
    speclake("describe", "-a", lab, unknown, "--answer", "colour=red", code=2)


def test_a_draft_is_saved_as_a_format_on_record(lab: Path, tmp_path: Path) -> None:
    unknown = tmp_path / "other.dat"
    unknown.write_text("wavelength;%R\n400,5;4,25\n401,0;4,26\n401,5;4,27\n", "utf-8")
    words = ["describe", "-a", lab, unknown, "--answer", "axis.unit=nm", "--save", "other"]
    assert "who did it" in speclake(*words, code=2)
    speclake(*words, "--who", "op 2", "--why", "a new bench", code=1)
    with Archive.open(lab) as archive:
        (event,) = archive.events("other")
    assert event.details["text"] == (lab / "formats/other.toml").read_text("utf-8")
    known = export("S1", 91.5, tmp_path)
    assert "no draft" in speclake("describe", "-a", lab, known, "--save", "other", code=2)


def test_importers_are_listed_with_the_broken_one(lab: Path) -> None:
    assert "jcamp" in speclake("importers", "-a", lab)
    (lab / "plugins/odd.py").write_text("raise RuntimeError('not today')\n", "utf-8")
    assert "not today" in speclake("importers", "-a", lab, code=1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["find", "-a", "nowhere"], "speclake.toml"),
        (["ingest", "-a", "{lab}", "no such file"], "no such file or folder"),
        (["show", "-a", "{lab}", "0" * 32], "found no measurement"),
        (["show", "-a", "{lab}"], "--lot"),
        (
            ["assign", "-a", "{lab}", "x", "-f", "lot=L", "--who", "a", "--why", "b"],
            "first 6 characters",
        ),
        (["judge", "-a", "{lab}", "--who", "a", "--why", "b"], "narrow"),
    ],
)
def test_wrong_use_ends_with_code_two_and_a_sentence(
    lab: Path, words: list[str], said: str
) -> None:
    assert said in speclake(*(word.format(lab=lab) for word in words), code=2)


def test_wrong_specification_is_told_by_file_key_and_line(lab: Path, tmp_path: Path) -> None:
    (lab / "specs/plate.toml").write_text(SPEC.replace("minimum", "lowest"), "utf-8")
    said = speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path), code=2)
    assert "plate.toml, line 6, requirement.0.what: found 'lowest'" in said


def test_help_is_quick_and_shows_an_example_for_every_command() -> None:
    listed = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; sys.argv = ['speclake', '--help']\n"
            "import atexit; from speclake.cli import main\n"
            "atexit.register(lambda: print(*sys.modules, sep='\\n'))\n"
            "main()",
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    heavy = {"duckdb", "panel", "polars", "scipy", "pyarrow", "holoviews", "numpy", "pydantic"}
    assert not heavy & set(listed.split())
    from typer.main import get_command

    from speclake.cli.app import app

    for name, command in get_command(app).commands.items():  # type: ignore[attr-defined]
        assert f"Example: speclake {name}" in (command.help or ""), name


def test_what_another_revision_would_change_is_told_and_nothing_is_written(
    lab: Path, tmp_path: Path
) -> None:
    speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path), export("S2", 96.0, tmp_path))
    head = json.loads(speclake("verify", "-a", lab, "--json"))["head"]
    draft = tmp_path / "draft.toml"
    draft.write_text(SPEC.replace('"90.0"', '"95.0"'), "utf-8")
    told = speclake("judge", "-a", lab, "--what-if", draft, code=1)
    assert "2 measurements" in told and "nothing was written" in told
    assert "outcomes would change for 1 measurements" in told
    data = json.loads(speclake("judge", "-a", lab, "--what-if", draft, "--json", code=1))
    assert [(row["sample"], row["before"], row["after"]) for row in data["changes"]] == [
        ("S1", "pass", "fail")
    ]
    assert "no outcome would change" in speclake("judge", "-a", lab, "--what-if", "plate")
    assert json.loads(speclake("verify", "-a", lab, "--json"))["head"] == head


def test_specifications_are_listed_with_their_days_approval_and_changes(
    lab: Path, tmp_path: Path
) -> None:
    speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path))
    (first,) = json.loads(speclake("specs", "-a", lab, "--json"))
    later = SPEC.replace('"90.0"', '"92.0"').replace(
        "[[", 'revision = "B"\napproved_by = "quality"\neffective_from = 2999-01-01\n[['
    )
    (lab / "specs/plate.toml").write_text(later, "utf-8")
    listed = speclake("specs", "-a", lab)
    assert "not yet in effect" in listed and "from 2999-01-01" in listed and "quality" in listed
    told = speclake("specs", "plate", "-a", lab)
    limit = "requirement 'green': at_least raised from 90.0 %T to 92.0 %T (tighter)"
    assert f"  - {limit}" in told
    between = ["--before", first["version"][:8], "--after", "plate"]
    assert limit in speclake("specs", "-a", lab, *between)
    assert "both say the same" in speclake(
        "specs", "-a", lab, "--before", "plate", "--after", "plate"
    )
    speclake("specs", "-a", lab, "--before", "plate", code=2)


def test_validation_pack_is_kept_judged_again_and_tells_what_changed(
    lab: Path, tmp_path: Path
) -> None:
    speclake("ingest", "-a", lab, export("S1", 91.5, tmp_path))
    record = ["--who", "quality", "--why", "plan 3"]
    assert "name measurements" in speclake("pack", "first", "-a", lab, *record, code=2)
    told = speclake("pack", "first", "-a", lab, "--lot", "L1", *record)
    assert "kept 1 verdict on 1 measurement in validation/first.json" in told
    assert "--who and --why" in speclake("validate", "first", "-a", lab, code=2)
    told = speclake("validate", "first", "-a", lab, *record)
    assert "nothing has changed in 1 verdict on 1 measurement" in told and "numpy" in told
    (listed,) = json.loads(speclake("validate", "-a", lab, "--json"))
    assert (listed["pack"], listed["changes"]) == ("first", "0")
    assert "quality" in speclake("validate", "-a", lab)
    (lab / "validation/first.json").write_text("{}", "utf-8")
    assert "expected" in speclake("validate", "first", "-a", lab, *record, code=1)
