"""The commands about parts and lots."""

import json
from pathlib import Path

import pytest

from speclake.cli.output import print_rows
from tests.labs import SPEC, export, write_files
from tests.test_cli import speclake

BY = ("--who", "op 2", "--why", "dust on the part")


def lab_with(sections: str, tmp_path: Path) -> Path:
    """Lab whose specification has more sections."""
    root = tmp_path / "lab"
    speclake("new", root)
    write_files(root)
    head, requirement = SPEC.split("[[requirement]]")
    text = f"{head}{sections}\n[[requirement]]{requirement}"
    (root / "specs/plate.toml").write_text(text, "utf-8")
    return root


def test_a_person_says_which_repeat_counts_and_takes_it_back(tmp_path: Path) -> None:
    lab = lab_with('[repeats]\ncount = "chosen"\n', tmp_path)
    first = export("S1", 85.0, tmp_path)
    text = first.read_text("utf-8").replace("\t8", "\t9")
    (tmp_path / "again.txt").write_text(text.replace("10:00:00", "11:00:00"), "utf-8")
    speclake("ingest", "-a", lab, first, tmp_path / "again.txt")
    (row,) = json.loads(speclake("find", "-a", lab, "--outcome", "fail", "--json"))["measurements"]
    name = row["measurement_id"]
    assert "alone counts" in speclake("count", "-a", lab, name, *BY)
    assert "says op 2 (dust on the part)" in speclake("show", "-a", lab, "--lot", "L1")
    assert "no longer" in speclake("count", "-a", lab, name, "--take-back", *BY)
    assert "nothing to take back" in speclake("count", "-a", lab, name, "--take-back", *BY, code=2)


def test_the_size_of_a_lot_is_stated_on_record(tmp_path: Path) -> None:
    lab = lab_with('[lot]\nsample_size = 5\naccept = 0\nsource = "drawing 7"\n', tmp_path)
    speclake("ingest", "-a", lab, export("S1", 91.0, tmp_path))
    assert "4 of 5 parts of the sample" in speclake("show", "-a", lab, "--lot", "L1")
    said = speclake("state-lot", "-a", lab, "L1", "--size", "1", *BY)
    assert said.strip() == "lot L1 has 1 part"
    told = json.loads(speclake("show", "-a", lab, "--lot", "L1", "--json"))
    assert (told["size"], told["outcome"]) == (1, "pass")
    assert "no measurement of lot 'L2'" in speclake(
        "state-lot", "-a", lab, "L2", "--size", "1", *BY, code=2
    )


def test_the_command_says_what_counts_and_not_what_was_asked_for(tmp_path: Path) -> None:
    lab = lab_with('[repeats]\ncount = "latest"\n', tmp_path)
    first = export("S1", 91.0, tmp_path)
    text = first.read_text("utf-8").replace("\t9", "\t8")
    (tmp_path / "again.txt").write_text(text.replace("10:00:00", "11:00:00"), "utf-8")
    speclake("ingest", "-a", lab, first, tmp_path / "again.txt")
    (row,) = json.loads(speclake("find", "-a", lab, "--outcome", "pass", "--json"))["measurements"]
    said = speclake("count", "-a", lab, row["measurement_id"], *BY)
    assert "each counts, since the one that a person named is not the latest" in said
    assert "alone counts" not in said
    assert "outcome         fail" in speclake("show", "-a", lab, "--lot", "L1")


def test_an_outcome_that_cannot_be_is_an_error_and_not_an_empty_answer(tmp_path: Path) -> None:
    lab = lab_with("", tmp_path)
    said = speclake("find", "-a", lab, "--outcome", "failed", code=2)
    assert "'failed'" in said and "'fail', 'undecided'" in said


def test_an_identifier_stays_in_one_line_however_much_stands_beside_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    key = "0123456789abcdef" * 2
    print_rows([{"measurement_id": key, "state": "accepted " * 40}], ("measurement_id", "state"))
    assert key in capsys.readouterr().out
