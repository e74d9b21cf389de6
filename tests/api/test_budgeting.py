"""Lines of a budget from scans repeated on a check piece in an archive."""

import tomllib
from collections.abc import Iterator

import numpy as np
import pytest
from typer.testing import CliRunner

from speclake.api import Archive
from speclake.api.budgeting import lines_from_repeats
from speclake.api.events import NotAllowed
from speclake.cli.app import app
from speclake.specs.requirements.uncertainty import Budget
from tests import labs

RNG = np.random.default_rng(3)
LEVELS, NOISE = RNG.normal(0, 0.5, 12), RNG.normal(0, 0.02, (12, 201))


def export(root, name: str, values, sample: str = "check piece") -> None:
    points = "".join(f"{500 + at}\t{value:.5f}\n" for at, value in enumerate(values))
    (root / f"{name}.txt").write_text(
        f"Sample: {sample}\nLot: L1\nProduct: plate\n"
        f"Scanned: 2026-05-04 10:{name[-2:]}:00\nnm\t%T\n{points}",
        "utf-8",
    )


@pytest.fixture
def archive(tmp_path) -> Iterator[Archive]:
    with Archive.create(tmp_path / "lab", "lab") as made:
        labs.write_files(tmp_path / "lab")
        exports = tmp_path / "exports"
        exports.mkdir()
        curve = 50 + 10 * np.sin(np.arange(201) / 20)
        for number in range(12):
            export(exports, f"check{number:02d}", curve + LEVELS[number] + NOISE[number])
        export(exports, "other50", curve, "another")
        made.ingest([exports])
        yield made


def ids_of(archive: Archive, sample: str = "check piece") -> list[str]:
    return archive.find(sample=sample)["measurement_id"].to_list()


def test_the_lines_are_a_budget_with_what_was_put_in(archive):
    ids = ids_of(archive)
    text = lines_from_repeats(archive, ids, (500, 700))
    level, noise = Budget.model_validate(tomllib.loads(text)).lines
    assert (level.correlation, level.degrees_of_freedom) == ("full", 11)
    assert (noise.correlation, noise.degrees_of_freedom) == ("none", 11 * 200)
    assert level.u == pytest.approx((LEVELS + NOISE.mean(axis=1)).std(ddof=1), rel=0.005)
    # five times the relative standard deviation of a standard deviation, 1 / sqrt(2 freedoms)
    assert noise.u == pytest.approx(0.02, rel=5 / np.sqrt(2 * 2200))
    assert "12 repeated scans, 500 nm to 700 nm" in level.source


@pytest.mark.parametrize("band", [(400, 700), (500, 500.5)])
def test_scans_that_do_not_reach_over_the_band_are_no_repeats(archive, band):
    with pytest.raises(NotAllowed, match="repeatability needs"):
        lines_from_repeats(archive, ids_of(archive), band)


@pytest.mark.parametrize(("name", "text"), [("serial", "17"), ("side", "back")])
def test_scans_that_differ_in_what_is_known_of_the_piece_are_no_repeats(archive, name, text):
    ids = ids_of(archive)
    archive.assign(ids[:1], {name: text}, who="op 1", why="it is another")
    with pytest.raises(NotAllowed, match=f"repeats have one {name}"):
        lines_from_repeats(archive, ids, (500, 700))


def test_a_scan_named_twice_is_no_repeat_of_itself(archive):
    ids = ids_of(archive)
    with pytest.raises(NotAllowed, match="named twice"):
        lines_from_repeats(archive, [*ids, ids[0]], (500, 700))


def test_scans_of_two_pieces_are_no_repeats(archive):
    ids = ids_of(archive) + ids_of(archive, "another")
    with pytest.raises(NotAllowed, match="repeats have one sample"):
        lines_from_repeats(archive, ids, (500, 700))


def test_one_scan_tells_nothing(archive):
    with pytest.raises(NotAllowed, match="two scans and two points or more, found 1 scans"):
        lines_from_repeats(archive, ids_of(archive)[:1], (500, 700))


def test_the_command_prints_what_goes_into_a_budget(archive, tmp_path):
    ids = ids_of(archive)
    asked = ["repeatability", *ids, "--band", "500", "700", "--archive", str(tmp_path / "lab")]
    result = CliRunner().invoke(app, asked)
    assert result.exit_code == 0, result.output
    assert len(Budget.model_validate(tomllib.loads(result.stdout)).lines) == 2
