"""What a decision hung on stands in the record: rule, guard band, probability, reason."""

from pathlib import Path

import polars as pl
import pytest

from speclake.api import Archive
from tests.labs import SPEC, export, write_files

GUARDED = """
uncertainty = 0.8
guard_times = 1.65
guard_of = "u"
proof = "supplier proves conformity"
"""


def judged(folder: Path, more: str, **assigned: str) -> pl.DataFrame:
    """Current verdicts of one plate at 90.5 %T, read again from the archive."""
    with Archive.create(folder / "lab", "lab") as made:
        write_files(made.root)
        (made.root / "specs/plate.toml").write_text(SPEC + more, "utf-8")
        made.ingest([export("S1", 90.5, folder)])
        (plate,) = made.find()["measurement_id"]
        if assigned:
            made.assign([plate], assigned, who="op 1", why="from the run sheet")
    with Archive.open(folder / "lab") as again:
        return again.verdicts()


def test_a_guarded_decision_is_kept_with_all_that_it_hung_on(tmp_path: Path) -> None:
    (row,) = judged(tmp_path, GUARDED).iter_rows(named=True)
    assert (row["outcome"], row["rule"], row["value"]) == ("fail", "guarded acceptance", 90.5)
    assert (row["uncertainty"], row["coverage_factor"], row["guard"]) == (0.8, 2.0, 0.66)
    assert row["conformity"] == pytest.approx(0.8944, abs=5e-5)  # Phi(1.25), from a table
    assert row["reason"].startswith("it lies inside the limit, but not by the guard band of 1.65 u")
    assert row["description"].endswith(
        "guarded acceptance with a guard band of 1.65 u, supplier proves conformity"
    )


def test_a_condition_that_is_learned_later_changes_the_verdict(tmp_path: Path) -> None:
    more = 'side = "front"\nwhen_not_met = "not measurable"\n'
    (row,) = judged(tmp_path, more, side="back").iter_rows(named=True)
    assert (row["outcome"], row["value"]) == ("not measurable", None)
    assert row["reason"] == "the side is back; the requirement holds for side front"
