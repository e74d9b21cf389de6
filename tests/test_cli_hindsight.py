"""The commands that look back, compare and correct."""

import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from speclake.specs.verdicts import Outcome
from tests.api.two_benches import NM, export, make, qualified, ran
from tests.test_cli import speclake

BY = ("--who", "quality", "--why", "absolute values")


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Path]:
    """Two plates on two benches, and a check of bench A that failed after them."""
    exports = tmp_path / "exports"
    random = np.random.default_rng(4)
    with make(tmp_path) as made:
        for number, name in enumerate(("P1", "P2", "P3")):
            for bench, bias in (("bench A", 0.2), ("bench B", 0.0)):
                values = 90.1 + bias + random.normal(0, 0.01, NM.size)
                export(exports, f"{name}{bench[-1]}", values, 1 + number, bench=bench, sample=name)
        export(exports, "run", 50.6, 7)
        made.ingest([exports])
        (run,) = made.find(sample="run")["measurement_id"]
        qualified(made, ran(0, Outcome.PASS, 50.1, run), ran(7, Outcome.FAIL, 50.6, run))
    yield tmp_path / "lab"


def test_look_back_lists_and_puts_aside_in_one_go(lab: Path) -> None:
    said = speclake("look-back", "-a", lab, "bench A")
    assert "grey filter of bench A, visible failed on 2026-03-09" in said
    assert "3 measurements, of which 3 could get another verdict" in said
    assert "could become fail" in said
    told = json.loads(speclake("look-back", "-a", lab, "bench A", "--put-aside", "--who", "quality",
                               "--json"))  # fmt: skip
    assert told["put_aside"] == 3
    ids = [row["measurement_id"] for row in told["measurements"]]
    held = json.loads(speclake("find", "-a", lab, "--in-review", "--json"))["measurements"]
    assert sorted(row["measurement_id"] for row in held) == sorted(ids)
    assert {row["outcome"] for row in held} == {"not measurable"}
    again = json.loads(speclake("look-back", "-a", lab, "bench A", "--json"))
    assert {row["could_become"] for row in again["verdicts"]} == {"fail"}
    assert {row["stands"] for row in again["verdicts"]} == {"not measurable"}


def test_only_those_that_could_change_are_chosen() -> None:
    import polars as pl

    from speclake.cli.lookingback import _chosen

    verdicts = pl.DataFrame({"measurement_id": ["a", "b"], "could_become": ["", "fail"]})
    found: Any = SimpleNamespace(ids=["a", "b", "c"], changing=["b"], verdicts=verdicts)
    assert _chosen(found, "could-change") == ["b"]
    assert _chosen(found, "judged-there") == ["a", "b"]
    assert _chosen(found, "all") == ["a", "b", "c"]


def test_look_back_needs_a_name_to_put_aside_and_a_failure(lab: Path) -> None:
    assert "names who did it" in speclake("look-back", "-a", lab, "bench A", "--put-aside", code=2)
    assert "found no failed check of bench B" in speclake("look-back", "-a", lab, "bench B", code=2)


def test_two_benches_are_compared(lab: Path) -> None:
    said = speclake("compare-instruments", "-a", lab, "bench A", "bench B")
    assert "bench A less bench B, 3 pieces: mean difference +0.2 %T" in said
    told = json.loads(speclake("compare-instruments", "-a", lab, "bench A", "bench B", "--json"))
    assert len(told["rows"]) == NM.size
    assert told["rows"][0]["bias"] == pytest.approx(0.2, abs=0.05)
    assert "found 0 pieces" in speclake(
        "compare-instruments", "-a", lab, "bench A", "bench C", code=2
    )


def test_a_correction_that_does_not_fit_is_refused(lab: Path) -> None:
    (row, *_) = json.loads(speclake("find", "-a", lab, "--json"))["measurements"]
    said = speclake(
        "correct", "-a", lab, row["measurement_id"], "--standard", "mirror 7", *BY, code=2
    )
    assert "found no certificate of 'mirror 7'" in said


def test_a_step_is_levelled_on_record_and_written(lab: Path, tmp_path: Path) -> None:
    stepped = 90.0 + 0.3 * (NM >= 505) + np.random.default_rng(9).normal(0, 0.01, NM.size)
    speclake("ingest", "-a", lab, export(tmp_path / "more", "P9", stepped, 8, sample="P9"))
    (row,) = json.loads(speclake("find", "-a", lab, "--sample", "P9", "--json"))["measurements"]
    target = tmp_path / "levelled.csv"
    said = speclake("correct", "-a", lab, row["measurement_id"], "--level-at-nm", "505", "--to",
                    target, *BY)  # fmt: skip
    assert "corrected, levelled where no change-over is known" in said
    assert "at 505 nm" in said
    assert "uncertainty of the step 0.013 %T (k = 2)" in said
    assert "not as measured, and not judged" in target.read_text("utf-8").splitlines()[0]
