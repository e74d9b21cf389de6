"""Qualification runs that are taken back, put aside, corrected or completed after they were made."""

import pytest

from speclake.measurement import Kind
from tests.intake.bench import bench, outcomes, scan, take


def grey(name, value, hours=0.0, **known):
    facts = {"kind": Kind.STANDARD, "product": None, "sample": name}
    return scan(name, value, hours, **(facts | known))


def ids(archive, name):
    return archive.find(sample=name, withdrawn="show")["measurement_id"].to_list()


def state(archive):
    """State of the only programme as the page of the instruments tells it, and why."""
    (found,) = (c for each in archive.instruments() for c in each.configurations)
    stretch = found.over_time[-1]
    return str(stretch.state), stretch.reason


class TestTakenBack:
    @pytest.mark.parametrize("fails_first", [True, False])
    def test_the_state_hangs_on_which_runs_count_and_not_on_how_many(self, tmp_path, fails_first):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 30.0, 0), grey("grey 2", 33.0, 1))
            good, bad = ids(archive, "grey 1"), ids(archive, "grey 2")
            out, back = (good, bad) if fails_first else (bad, good)
            archive.withdraw(out, who="ada", why="wrong filter")
            take(archive, scan("A", 95.0, 2))
            archive.reinstate(out, who="ada", why="it was right")
            archive.withdraw(back, who="ada", why="wrong filter")
            take(archive, scan("B", 95.0, 3))
            expected = "pass" if fails_first else "not measurable"
            for name in ("A", "B"):
                assert outcomes(archive, name)["mean"][0] == expected


class TestPutAside:
    def test_a_pass_that_is_put_aside_leaves_the_state_unknown_until_the_release(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            spec = archive.root / "specs/window.toml"
            text = 'blocked_by = ["instrument state unknown"]\n' + spec.read_text("utf-8")
            spec.write_text(text, "utf-8")
            take(archive, grey("grey 1", 30.0, 0), scan("A", 95.0, 1))
            assert outcomes(archive, "A")["mean"][0] == "pass"
            run = ids(archive, "grey 1")
            archive.put_aside(run, who="ada", why="the wrong filter was in the beam")
            outcome, reason = outcomes(archive, "A")["mean"]
            assert outcome == "not measurable"
            assert "put aside for review" in reason
            found = archive.instruments()[0].configurations[0].over_time
            assert [str(each.state) for each in found] == ["unknown", "unknown"]
            archive.release(run, who="ada", why="it was the right one")
            assert outcomes(archive, "A")["mean"][0] == "pass"
            assert archive.verify() == []

    def test_a_failure_that_is_put_aside_stays_a_failure(self, tmp_path):
        with bench(tmp_path / "lab") as archive:
            take(archive, grey("grey 1", 33.0, 0), scan("A", 95.0, 1))
            archive.put_aside(ids(archive, "grey 1"), who="ada", why="a look")
            assert outcomes(archive, "A")["mean"][0] == "not measurable"
            take(archive, scan("B", 95.0, 2))
            assert outcomes(archive, "B")["mean"][0] == "not measurable"
