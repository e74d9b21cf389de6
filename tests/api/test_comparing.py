"""The same plates on two benches, and one on several."""

from collections.abc import Iterator

import numpy as np
import pytest

from speclake.api import Archive
from speclake.api.comparing import compare_instruments, round_robin
from speclake.api.events import NotAllowed
from tests.api.two_benches import NM, export, make

RNG = np.random.default_rng(5)
BIAS = np.where(NM < 500, 0.4, 0.0)


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Iterator[Archive]:
    """Eight plates on both benches; bench A reads 0.4 %T more below 500 nm. One plate on three."""
    folder = tmp_path_factory.mktemp("two")
    exports = folder / "exports"
    with make(folder) as made:
        for number in range(8):
            level = 60 + 4 * number
            for bench, bias in (("bench A", BIAS), ("bench B", 0.0)):
                for again in range(2):
                    values = level + bias + RNG.normal(0, 0.02, NM.size)
                    name = f"{bench[-1]}{number}{again}"
                    export(exports, name, values, number + again / 24, bench=bench,
                           sample=f"P{number}")  # fmt: skip
        export(exports, "lonely", 50.0, 1)
        for bench, level in (("bench A", 70.0), ("bench B", 70.3), ("bench C", 70.1)):
            for again in range(3):
                values = level + 0.05 * again + RNG.normal(0, 0.002, NM.size)
                export(exports, f"R{bench[-1]}{again}", values, 20 + again, bench=bench,
                       sample="ring")  # fmt: skip
        made.ingest([exports])
        yield made


def test_the_difference_is_told_where_it_is(archive):
    found = compare_instruments(archive.store, "bench A", "bench B", sample="P*")
    bias = found.agreement.bias
    np.testing.assert_allclose(bias, BIAS, atol=0.03)
    assert (found.agreement.pairs == 8).all()
    assert (found.agreement.bias_low[NM < 500] > 0.35).all()
    assert found.agreement.differs[NM >= 500].mean() < 0.3
    assert found.differences.shape == (8, NM.size)
    assert found.pieces["name"].to_list() == [f"P{number}" for number in range(8)]
    assert set(found.pieces["scans_first"]) == set(found.pieces["scans_second"]) == {2}
    assert found.sentence.startswith("bench A less bench B, 8 pieces: mean difference +0.1")


def test_the_other_way_round_has_the_other_sign(archive):
    one = compare_instruments(archive.store, "bench A", "bench B", sample="P*")
    other = compare_instruments(archive.store, "bench B", "bench A", sample="P*")
    np.testing.assert_allclose(one.differences, -other.differences, atol=1e-12)


def test_scans_that_do_not_count_are_left_out(archive):
    (wrong, _) = archive.find(sample="P3", instrument="bench A")["measurement_id"]
    archive.withdraw([wrong], who="q", why="wrong side up")
    found = compare_instruments(archive.store, "bench A", "bench B", sample="P*")
    assert sorted(found.pieces["scans_first"]) == [1, *[2] * 7]
    archive.reinstate([wrong], who="q", why="it was the right one")


@pytest.mark.parametrize(
    ("second", "query", "said"),
    [
        ("bench A", {}, "twice"),
        ("bench D", {}, "found 0 pieces"),
        ("bench B", {"sample": "P1"}, "found 1 pieces"),
    ],
)
def test_what_cannot_be_compared_is_said(archive, second, query, said):
    with pytest.raises(NotAllowed, match=said):
        compare_instruments(archive.store, "bench A", second, **query)


def test_one_piece_on_three_benches(archive):
    """Levels 70, 70.3, 70.1 and replicates 0, 0.05, 0.1 above: s_r = 0.05; ISO 5725-2 for s_R."""
    found = round_robin(archive.store, ["bench A", "bench B", "bench C"], sample="ring")
    s_l = np.sqrt(np.var([70.0, 70.3, 70.1], ddof=1) - 0.05**2 / 3)
    assert found.scans == (3, 3, 3)
    np.testing.assert_allclose(found.precision.repeatability_sd, 0.05, atol=0.005)
    np.testing.assert_allclose(found.precision.reproducibility_sd, np.hypot(s_l, 0.05), atol=0.005)
    assert found.piece["name"] == "ring"
    assert found.grubbs.lab == 1
    assert found.sentence.startswith("3 instruments, 9 scans: repeatability 0.05")


def test_a_round_robin_needs_one_piece_that_all_have_measured(archive):
    with pytest.raises(NotAllowed, match="found 9 pieces"):
        round_robin(archive.store, ["bench A", "bench B"])
    with pytest.raises(NotAllowed, match="found 0 pieces"):
        round_robin(archive.store, ["bench A", "bench D"], sample="ring")
    with pytest.raises(NotAllowed, match="fewer than two"):
        round_robin(archive.store, ["bench A"], sample="ring")


def test_grids_of_one_bench_that_differ_are_told(tmp_path):
    """Bench A scans every second point on another day; the plates are flat."""
    with make(tmp_path) as archive:
        for number in range(3):
            for bench, level in (("bench A", 60.0), ("bench B", 60.1)):
                export(tmp_path / "e", f"{bench[-1]}{number}", level + number, number, bench=bench,
                       sample=f"P{number}")  # fmt: skip
            file = export(
                tmp_path / "e", f"C{number}", 60.5 + number, number + 9, sample=f"P{number}"
            )
            head, points = file.read_text("utf-8").split("nm\t%T\n")
            kept = "\n".join(points.splitlines()[::2])
            file.write_text(f"{head}nm\t%T\n{kept}\n", "utf-8")
        archive.ingest([tmp_path / "e"])
        found = archive.compare_instruments("bench A", "bench B")
        assert found.axis.values.tolist() == NM[::2].tolist()
        np.testing.assert_allclose(found.agreement.bias, 0.15)
        assert found.how.startswith("of two grids of bench A the ")
        assert found.how.endswith("at the 26 points of the other from 480 to 530 nm")
